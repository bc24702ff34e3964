"""Arithmetic of capacities: temperature, rate, and what a percentage means."""

from __future__ import annotations

from collections.abc import Mapping
from math import log


def per_kelvin(hours: float, limits: Mapping[str, float]) -> float:
    """Relative change of capacity with temperature [1/K] at a rate of so many hours. IEC 60896 family."""
    fast = hours < limits["capacity_fast_hours"]
    return limits["capacity_per_kelvin_fast" if fast else "capacity_per_kelvin_slow"]


def at_rating_temperature(amp_hours: float, celsius: float, rating_celsius: float, coefficient: float) -> float:
    """C / (1 + L (T - Tref)), the form of IEC 60896."""
    return amp_hours / (1 + coefficient * (celsius - rating_celsius))


def peukert_hours(amp_hours: float, hours: float, exponent: float, amps: float) -> float:
    """How long a battery that gives `amp_hours` in `hours` lasts at `amps`: t = H (C / (I H))^k."""
    return hours * float((amp_hours / (amps * hours)) ** exponent)


def peukert_exponent(amps: float, hours: float, other_amps: float, other_hours: float) -> float:
    """The exponent that two discharges to one end voltage tell. Raises ZeroDivisionError for equal currents."""
    return log(hours / other_hours) / log(other_amps / amps)


def at_rated_rate(amp_hours: float, amps: float, rated_amps: float, exponent: float) -> float:
    """Amp-hours at the rated current of what gave `amp_hours` at `amps`: Q (I / I0)^(k - 1)."""
    return amp_hours * float((amps / rated_amps) ** (exponent - 1))


def capacity_grade(fraction: float, watch: float, low: float) -> str:
    """ "sound", "watch" or "low" by the share of the rated capacity. IEEE 450 and 1188 as read in handbooks."""
    return "low" if fraction < low else "watch" if fraction < watch else "sound"
