"""Estimators of trend, drift and date, on plain arrays: no bank, no limits, no state."""
