"""From a series of months to what is said: slope with band and verdict, and the date at which the level is crossed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from loggerd.analysis.findings.estimators.forecast import Crossing, crossing
from loggerd.analysis.findings.estimators.ranks import Slope, theil_sen, trend
from loggerd.analysis.findings.estimators.season import without_season
from loggerd.analysis.findings.trends_series import REFERENCE_CELSIUS, SeriesSpec
from loggerd.analysis.findings.weekly import YEAR_MS, Floats, Thinned

SUDDEN = "a sudden fall would not be foreseen"
_YEARS_AHEAD = 40


@dataclass(frozen=True)
class Judged:
    """What a series shows. Slopes per year: capacity and share taken in points of per cent, resistance in per cent of
    the median, voltages in mV per cell, current in A per 100 Ah."""

    verdict: str
    reason: str
    slope: float | None = None
    low: float | None = None
    high: float | None = None
    per_100_cycles: float | None = None
    memory: float | None = None
    median: float | None = None
    points: int = 0
    span_ms: tuple[int, int] | None = None


def judge(series: Thinned, spec: SeriesSpec, limits: Mapping[str, float], rated_amp_hours: float) -> Judged:
    """The trend of the closed months, at least one."""
    years, values, celsius, throughput = series.columns()
    number, months = len(years), 12.0 * float(years[-1] - years[0])
    span = (round(years[0] * YEAR_MS), round(years[-1] * YEAR_MS))
    if number < limits["trend_points_least"] or months < limits["trend_months_least"] - 1.0:
        needs = f"needs {limits['trend_points_least']:.0f} with values, and {limits['trend_months_least']:.0f} in all"
        reason = f"{spec.words}: {number} months so far, over {months:.0f}; {needs}"
        return Judged("too_early", reason, points=number, span_ms=span)
    level = float(np.median(values))
    scale = spec.shown / abs(level) if spec.relative and level else spec.shown
    prior, doubt = spec.season(limits)
    held = (prior * spec.shown, doubt * spec.shown)
    steady, _ = without_season(years, values * scale, celsius, REFERENCE_CELSIUS, *held)
    found = trend(years - years[0], steady)
    cycles = throughput / rated_amp_hours / 100.0
    per_cycles = theil_sen(cycles, steady)[0] if float(cycles[-1] - cycles[0]) > 0.05 else None
    words = (
        f"{spec.words}: median {level:.4g}; slope of {number} months; memory from month to month {found.memory:.2f}; a "
        f"series without a trend would show this in {100 * found.chance:.1g} of 100 cases"
    )
    verdict = _verdict(found, spec, limits)
    return Judged(verdict, words, found.slope, found.low, found.high, per_cycles, found.memory, level, number, span)


def _verdict(found: Slope, spec: SeriesSpec, limits: Mapping[str, float]) -> str:
    least = limits[spec.limit] * spec.limit_shown
    if found.chance >= limits["trend_chance"] or abs(found.slope) < least:
        return "steady"
    return "rising" if found.slope > 0.0 else "falling"


@dataclass(frozen=True)
class Ending:
    """Years from `now_ms` until the level is crossed; see `Crossing`. `reason` in words."""

    verdict: str
    reason: str
    middle: float | None = None
    early: float | None = None
    late: float | None = None


def ending(series: Thinned, spec: SeriesSpec, limits: Mapping[str, float], now_ms: int) -> Ending:
    """When a capacity falls below the share at which a bank is at its end."""
    years, values, celsius, _ = series.columns()
    level = 100.0 * limits["capacity_low_fraction"]
    if len(years) < limits["forecast_points_least"]:
        needs = f"needs {limits['forecast_points_least']:.0f} months with a tested or observed capacity"
        return Ending("no_date", f"{spec.words}: {len(years)} so far; {needs}; {SUDDEN}")
    prior, doubt = spec.season(limits)
    steady, _ = without_season(years, values, celsius, REFERENCE_CELSIUS, prior, doubt)
    found = crossing(years - years[-1], steady, level)
    since = now_ms / YEAR_MS - float(years[-1])
    return _worded(found, steady, level, since, now_ms)


def _worded(found: Crossing, steady: Floats, level: float, since: float, now_ms: int) -> Ending:
    last = float(np.median(steady[-3:]))
    if found.middle == 0.0 and last < level:
        return Ending("reached", f"the last months have {last:.0f} %, the line is below {level:.0f} %; {SUDDEN}")
    if found.early is None:
        reason = f"nothing falls to {level:.0f} % within {_YEARS_AHEAD} years"
        return Ending("no_date", f"{reason}; {SUDDEN}")
    early = max(found.early - since, 0.0)
    first = f"{level:.0f} % is not crossed before {_month(now_ms, early)} (5 % chance of earlier)"
    if found.middle is None or found.late is None:
        return Ending("not_before", f"{first}; no later date: the slope may be zero; {SUDDEN}", early=early)
    middle, late = max(found.middle - since, 0.0), max(found.late - since, 0.0)
    if late - early >= 2.0 * middle:
        reason = f"{first}; no date yet: the band is {late - early:.1f} years wide"
        return Ending("not_before", f"{reason}; {SUDDEN}", early=early, late=late)
    reason = f"{first}, most likely {_month(now_ms, middle)}, by {_month(now_ms, late)} at the latest"
    return Ending("date", f"{reason}; {SUDDEN}", middle, early, late)


def _month(now_ms: int, years: float) -> str:
    return datetime.fromtimestamp((now_ms + years * YEAR_MS) / 1000, UTC).strftime("%Y-%m")
