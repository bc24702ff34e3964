"""Instruments of our own invention that measure a simulated bank, and the wires that serve them."""
