"""Formulas of heat, gas and water: air flow, water by Faraday's law, ageing, runaway, freezing. Constants come in."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import pairwise
from math import log, sqrt

FREEZING_STEPS = (
    (0.0, "freezing_celsius_discharged"),
    (0.25, "freezing_celsius_25"),
    (0.5, "freezing_celsius_50"),
    (0.75, "freezing_celsius_75"),
    (1.0, "freezing_celsius_full"),
)
"""State of charge, and the limit that tells where the acid freezes then."""


def air_flow(constant: float, cells: int, gas_milliamps: float, rated_amp_hours: float) -> float:
    """Air needed for a stationary bank [m³/h]: constant · n · Igas · C / 1000 (EN 50272-2 / IEC 62485-2).

    cells in series; `gas_milliamps` per rated Ah; `rated_amp_hours` of the whole bank.
    """
    return constant * cells * gas_milliamps * rated_amp_hours / 1000.0


def traction_air_flow(constant: float, cells: int, gas_amps: float, rated_amp_hours: float) -> float:
    """Air needed for a traction battery [m³/h] (EN 62485-3); `gas_amps` per 100 rated Ah."""
    return constant * cells * gas_amps * rated_amp_hours / 100.0


def opening_square_centimetres(constant: float, flow: float) -> float:
    """Inlet and outlet, each, where no fan moves the air: A = 28 Q (EN 50272-2)."""
    return constant * flow


def safe_distance_millimetres(gas_milliamps: float, rated_amp_hours: float) -> float:
    """No spark nearer than this to a stationary cell: 28.8 · cbrt(Igas) · cbrt(C) (EN 50272-2, from memory)."""
    return float(28.8 * (gas_milliamps * rated_amp_hours) ** (1.0 / 3.0))


def water_grams(grams_per_amp_hour: float, overcharge_amp_hours: float, recombination: float) -> float:
    """Water that each cell of a string loses by that overcharge of its string [g] (Faraday's law)."""
    return grams_per_amp_hour * overcharge_amp_hours * (1.0 - recombination)


def float_heat_watts(watts: float, cells: int, rated_amp_hours: float) -> float:
    """Heat of a bank at float [W]; `watts` per cell and 100 rated Ah."""
    return watts * cells * rated_amp_hours / 100.0


def ageing_rate(celsius: float, halving_kelvin: float, reference: float = 25.0) -> float:
    """Years of ageing in a year at that temperature. Averages must be taken of this rate, not of temperatures."""
    return float(2.0 ** ((celsius - reference) / halving_kelvin))


def life_years(at_reference: float, rates: Iterable[tuple[float, float]]) -> float:
    """Life where shares of time (first, adding to 1) are spent at ageing rates (second)."""
    return at_reference / sum(share * rate for share, rate in rates)


def critical_amps(cell_volts: float, kelvin_per_watt: float, doubling_kelvin: float = 10.0) -> float:
    """Current of a cell above which its heat runs away at constant voltage: V · I · ln 2 / 10 K = 1 / R."""
    return doubling_kelvin / (log(2.0) * cell_volts * kelvin_per_watt)


def amps_at_25(amps: float, celsius: float, doubling_kelvin: float = 10.0) -> float:
    """Float current as it would be at 25 °C; it doubles with every 10 K (common practice)."""
    return float(amps * 2.0 ** ((25.0 - celsius) / doubling_kelvin))


def full_current(amps: float, celsius: float, volts_per_cell: float, reference_volts: float) -> float:
    """Current at the end of a full charge as it would be at 25 °C and the reference voltage.

    Gassing grows tenfold with 0.2 V (Tafel slope of both electrodes, from memory: 0.18 to 0.24 V) and doubles with
    10 K.
    """
    return float(amps_at_25(amps, celsius) * 10.0 ** ((reference_volts - volts_per_cell) / 0.2))


def freezing_celsius(state_of_charge: float, limits: Mapping[str, float]) -> float:
    """Where the acid freezes, by state of charge as a fraction; straight lines between the limits."""
    state = min(1.0, max(0.0, state_of_charge))
    for (low, cold), (high, colder) in pairwise(FREEZING_STEPS):
        if state <= high:
            share = (state - low) / (high - low)
            return limits[cold] + share * (limits[colder] - limits[cold])
    return limits[FREEZING_STEPS[-1][1]]


def water_half_width(offset_amps: float, hours: float, rated_amp_hours: float, gain: float, moved: float) -> float:
    """95 % half width of an overcharge [Ah]: zero offset over the time, a full charge that is 1 % of the rated
    amp-hours uncertain at both ends, and the gain on what differs."""
    ends = 0.01 * rated_amp_hours * sqrt(2.0)
    return sqrt((offset_amps * hours) ** 2 + ends**2 + (gain * moved) ** 2)
