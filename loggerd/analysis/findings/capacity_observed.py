"""A discharge that reached the end voltage: may it be judged, and what is it worth at the rated current?"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from loggerd.analysis.findings import capacity_rules as rules
from loggerd.analysis.findings.capacity_run import Crossing, Run
from loggerd.model.bank import Accuracy, Bank

_GAP_SHARE, _CHARGED_SHARE, _SCATTER = 0.02, 0.03, 0.5
_FULL_DOUBT = 0.02
"""A charge that is proven full may lack a few per cent (own study by simulation: 3 % in the worst of 20)."""
_UNKNOWN_KELVIN = 10.0


@dataclass(frozen=True)
class Worth:
    """Amp-hours at the rating's temperature with the relative half width of their band.

    `rated_amp_hours`, `rated_half_width`: at the rated current too; `near`: the rates are near enough for that to be
    a percentage.
    """

    amp_hours: float
    half_width: float
    rated_amp_hours: float
    rated_half_width: float
    near: bool


def problems(crossing: Crossing, run: Run, limits: Mapping[str, float]) -> list[str]:
    """Why a discharge may not be taken for the capacity; empty if it may."""
    celsius = run.celsius
    low, high = limits["capacity_celsius_low"], limits["capacity_celsius_high"]
    checks = (
        (not run.proven, "the bank was likely full when it began, but that is not proven"),
        (crossing.late_gap, "readings are missing in its last tenth"),
        (crossing.gap_share > _GAP_SHARE, f"readings are missing for {crossing.gap_share * 100:.0f} % of the time"),
        (crossing.charged_share > _CHARGED_SHARE, "it was charged in between"),
        (crossing.current_scatter > _SCATTER, "the current changed too much in its last hour"),
        (
            celsius is not None and not low <= celsius <= high,
            f"its temperature lies outside {low:.0f} to {high:.0f} °C, for which a correction is known",
        ),
    )
    return [why for wrong, why in checks if wrong]


def worth(
    amp_hours: float,
    amps: float,
    celsius: float | None,
    other_half_width: float,
    bank: Bank,
    limits: Mapping[str, float],
) -> Worth:
    """Amp-hours as drawn at `amps` to the rating's temperature and current. `other_half_width`: what else is in doubt,
    as a share."""
    amps = max(amps, 1e-9)
    hours = amp_hours / amps
    coefficient = rules.per_kelvin(hours, limits)
    reference = limits["rating_celsius"]
    doubt = abs(limits["capacity_per_kelvin_fast"] - limits["capacity_per_kelvin_slow"])
    if celsius is None:
        warm, kelvin = amp_hours, coefficient * _UNKNOWN_KELVIN
    else:
        warm = rules.at_rating_temperature(amp_hours, celsius, reference, coefficient)
        kelvin = doubt * abs(celsius - reference)
    ratio = amps / (bank.rated_amp_hours / bank.rated_hours)
    half = math.hypot(kelvin, other_half_width)
    rate = limits["peukert_exponent_doubt"] * abs(math.log(ratio))
    at_rate = warm * float(ratio ** (limits["peukert_exponent"] - 1))
    near = 1 / limits["peukert_rate_ratio"] <= ratio <= limits["peukert_rate_ratio"]
    return Worth(warm, half, at_rate, math.hypot(half, rate), near)


def crossing_doubt(
    crossing: Crossing, amps: Accuracy | None, volts: Accuracy | None, end_volts: float, limits: Mapping[str, float]
) -> float:
    """Relative half width of the amp-hours at the crossing: sensors, gaps, start, and equal discharges that differ."""
    gain = amps.gain if amps and amps.gain is not None else 0.0
    offset = amps.offset if amps and amps.offset is not None else 0.0
    gain_volts = volts.gain if volts and volts.gain is not None else 0.0
    at_end = gain_volts * end_volts / max(crossing.steepness, 1e-6) if crossing.steepness > 0 else 0.0
    parts = (
        gain,
        offset * crossing.hours / crossing.amp_hours,
        min(at_end / crossing.amp_hours, 0.1),
        crossing.gap_share,
        limits["capacity_repeat_fraction"],
        _FULL_DOUBT,
    )
    return math.hypot(*parts)
