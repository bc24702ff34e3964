"""State of charge by rested voltage."""

from __future__ import annotations

from collections.abc import Mapping

_NAMES = ("rest_volts_flat", "rest_volts_25", "rest_volts_50", "rest_volts_75", "rest_volts_full")
_SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)


def state_of_charge(volts: float, limits: Mapping[str, float]) -> float:
    """Fraction at a rested voltage per cell at 25 °C: straight between the rows of the table, 0 to 1."""
    return min(1.0, max(0.0, unbounded_state(volts, limits)))


def unbounded_state(volts: float, limits: Mapping[str, float]) -> float:
    """The same, carried on straight beyond the table's ends."""
    table = [limits[name] for name in _NAMES]
    row = next((number for number in range(1, 4) if volts <= table[number]), 4)
    low, high = table[row - 1], table[row]
    return _SHARES[row - 1] + 0.25 * (volts - low) / (high - low)


def state_half_width(volts: float, half_volts: float, limits: Mapping[str, float]) -> float:
    """Half width of the state of charge that goes with one of the voltage."""
    return (unbounded_state(volts + half_volts, limits) - unbounded_state(volts - half_volts, limits)) / 2
