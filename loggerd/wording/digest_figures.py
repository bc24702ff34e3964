"""What a digest tells of cycles and days, from ledger entries."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

from loggerd.model.ledger import Entry, Figure, LedgerName, PhaseKind

_SECOND_MS = 1000


@dataclass(frozen=True)
class DayAmpHours:
    """A local day: amp-hours out and in, whether full was proven, share of it with readings (None: unknown)."""

    start_ms: int
    out: float
    into: float
    full: bool = False
    covered: float | None = None


@dataclass(frozen=True)
class CycleSummary:
    """All cycles that ended in a span of time. Depths are shares of the rated amp-hours."""

    count: int
    out: Figure
    into: Figure
    charge_factor: Figure
    efficiency: Figure
    mean_depth: Figure
    deepest: Figure


def summarise(entries: Iterable[Entry], start_ms: int, end_ms: int) -> CycleSummary:
    """Complete cycles that ended in [start_ms, end_ms).

    Errors of a sensor are the same in all of them: bounds are added up, and those of ratios weighted by amp-hours, as
    if all erred the same way, which is the widest that it can be.
    """
    cycles = [
        one
        for one in entries
        if one.ledger is LedgerName.CYCLES and one.complete and start_ms <= one.end.at_ms < end_ms
    ]
    weights = [_value(one, "discharge_amp_hours") or 0.0 for one in cycles]
    depths = [one for cycle in cycles if (one := _figure(cycle, "depth_of_discharge")) and one.value is not None]
    deepest = max(depths, key=lambda one: one.value or 0.0, default=Figure("deepest", None))
    return CycleSummary(
        len(cycles),
        _total(cycles, "discharge_amp_hours"),
        _total(cycles, "charge_amp_hours"),
        _weighted(cycles, "charge_factor", weights),
        _weighted(cycles, "watt_hour_efficiency", weights),
        _weighted(cycles, "depth_of_discharge", [1.0] * len(cycles)),
        deepest,
    )


def days_of(
    entries: Iterable[Entry], start_ms: int, days: int, zone: tzinfo = UTC, full_ms: Iterable[int] = ()
) -> list[DayAmpHours]:
    """Local days from the one that holds `start_ms` on. A phase over midnight is shared out by time, as if even.

    `full_ms`: instants at which full was proven. Days of 23 and 25 hours are as long as they are.
    """
    edges = day_edges(start_ms, days, zone)
    out, into = [0.0] * days, [0.0] * days
    for entry in entries:
        if entry.ledger is not LedgerName.PHASES or entry.kind == PhaseKind.REST.value:
            continue
        sums = out if entry.kind == PhaseKind.DISCHARGE.value else into
        for day, amp_hours in _shared(entry, edges):
            sums[day] += amp_hours
    proven = set(full_ms)
    return [
        DayAmpHours(edges[day], out[day], into[day], any(edges[day] <= at < edges[day + 1] for at in proven))
        for day in range(days)
    ]


def day_edges(start_ms: int, days: int, zone: tzinfo) -> list[int]:
    """Local midnights: of the day that holds `start_ms`, and of the `days` days after it."""
    first = datetime.fromtimestamp(start_ms / _SECOND_MS, zone).date()
    return [
        round(datetime.combine(first + timedelta(days=day), datetime.min.time(), zone).timestamp() * _SECOND_MS)
        for day in range(days + 1)
    ]


def _shared(entry: Entry, edges: Sequence[int]) -> Iterable[tuple[int, float]]:
    amp_hours = _value(entry, "amp_hours")
    if amp_hours is None:
        return
    span_ms = entry.end.at_ms - entry.start.at_ms
    for day in range(len(edges) - 1):
        inside = min(entry.end.at_ms, edges[day + 1]) - max(entry.start.at_ms, edges[day])
        if inside > 0 and span_ms > 0:
            yield day, amp_hours * inside / span_ms


def _figure(entry: Entry, name: str) -> Figure | None:
    return next((one for one in entry.figures if one.name == name), None)


def _value(entry: Entry, name: str) -> float | None:
    figure = _figure(entry, name)
    return None if figure is None else figure.value


def _total(cycles: Sequence[Entry], name: str) -> Figure:
    figures = [one for cycle in cycles if (one := _figure(cycle, name)) and one.value is not None]
    if not figures:
        return Figure(name, None)
    value = sum(one.value for one in figures if one.value is not None)
    bounds = [(one.low, one.high) for one in figures if one.low is not None and one.high is not None]
    if len(bounds) < len(figures):
        return Figure(name, value, reason=next((one.reason for one in figures if one.reason), ""))
    return Figure(name, value, sum(low for low, _ in bounds), sum(high for _, high in bounds))


def _weighted(cycles: Sequence[Entry], name: str, weights: Sequence[float]) -> Figure:
    """Mean, weighted; without a band where one of them has none."""
    pairs = [
        (one, weight)
        for cycle, weight in zip(cycles, weights, strict=True)
        if (one := _figure(cycle, name)) and one.value is not None and weight > 0.0
    ]
    total = sum(weight for _, weight in pairs)
    if not pairs:
        return Figure(name, None)
    value = sum((one.value or 0.0) * weight for one, weight in pairs) / total
    if any(one.low is None or one.high is None for one, _ in pairs):
        return Figure(name, value)
    low = sum((one.low or 0.0) * weight for one, weight in pairs) / total
    high = sum((one.high or 0.0) * weight for one, weight in pairs) / total
    return Figure(name, value, low, high)
