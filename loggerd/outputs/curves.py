"""Readings over time as columns for a chart: lowest, mean and highest of each stretch, from the tier that fits."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from loggerd.decoding.scaling import to_fine
from loggerd.model.bank import Series, SeriesScale
from loggerd.model.channels import MISSING, Channel, Quantity
from loggerd.model.scan import Integers
from loggerd.plans import plan_of
from loggerd.settings.domain import FINE_PER_TRADE
from loggerd.settings.site import SiteSettings
from loggerd.store.blocks import settled_wall_ms
from loggerd.store.record import RecordReader, SummaryColumns

Floats = npt.NDArray[np.float64]
HOUR_MS, DAY_MS = 3_600_000, 86_400_000
MOST_POINTS = 800
READINGS = 0
TIERS = (READINGS, 60, 900, 14_400)
"""Length of a bucket in seconds, the readings themselves first."""
_FITS_MS = (6 * HOUR_MS, 4 * DAY_MS, 45 * DAY_MS)
"""Longest stretch that is shown by readings, by minutes, by quarter-hours; longer ones by four hours."""
_FEW, _ENOUGH_MS = 8, 15 * DAY_MS
"""Of more channels than this, quarter-hours are shown over less time; beyond this time four hours are rows enough."""


@dataclass(frozen=True)
class Column:
    """One channel: columns of equal length, times rising [epoch ms], values in trade units (V, A, °C, Ah).

    A row stands for the readings of one step from `time_ms` on; steps without a reading have no row. Readings outside
    the valid range are left out, or cut back to it where a summary holds them; `outside` says in how many rows.
    """

    channel: Channel
    time_ms: Integers
    minimum: Floats
    mean: Floats
    maximum: Floats
    count: Integers
    outside: int = 0


@dataclass(frozen=True)
class Curve:
    """Channels over [from_ms, until_ms). `tier_seconds`: of the summaries used, 0 for the readings themselves."""

    from_ms: int
    until_ms: int
    step_ms: int
    tier_seconds: int
    columns: tuple[Column, ...]


def channels_of(record: RecordReader, bank: str) -> list[Channel]:
    """The channels that the record has of a bank, those of the bank first, then by number."""
    known = {one.channel.name: one.channel for one in record.series() if one.bank == bank}
    kinds = list(Quantity)
    return sorted(known.values(), key=lambda one: (one.number > 0, kinds.index(one.quantity), one.number, one.name))


def tier_for(span_ms: int, channels: int = 1) -> int:
    """The finest tier whose rows are few enough for a stretch of this length and so many channels."""
    if channels > _FEW and span_ms > max(_FITS_MS[2] * _FEW // channels, _ENOUGH_MS):
        return TIERS[-1]
    return next((tier for tier, fits in zip(TIERS, _FITS_MS, strict=False) if span_ms <= fits), TIERS[-1])


def curve(  # noqa: PLR0913, PLR0917 - what is asked for, each by itself
    record: RecordReader,
    site: SiteSettings,
    bank: str,
    channels: Sequence[str],
    from_ms: int,
    until_ms: int,
    most_points: int = MOST_POINTS,
) -> Curve:
    """The channels of a bank in [from, until) epoch ms, at most so many rows each; those without a reading are empty.

    Where finer summaries are no longer kept, coarser ones stand in. Each value takes the scale in force at its time.
    Raises ValueError for an empty stretch, StoreError.
    """
    if until_ms <= from_ms or most_points < 1:
        raise ValueError("the stretch of time is empty")
    tier = tier_for(until_ms - from_ms, len(channels))
    unit = max(1000 * tier, 1000)
    step = -(-(until_ms - from_ms) // (most_points * unit)) * unit
    source = _Source(record, site, bank, channels)
    pieces = source.gather(tier, from_ms, until_ms)
    known = {one.name: one for one in channels_of(record, bank)}
    columns = tuple(
        _thinned(known[name], pieces.get(name, []), from_ms, step, most_points) for name in channels if name in known
    )
    return Curve(from_ms, until_ms, step, tier, columns)


def curve_values(found: Curve) -> dict[str, Any]:
    """A curve as plain values for JSON."""
    return {
        "from_ms": found.from_ms,
        "until_ms": found.until_ms,
        "step_ms": found.step_ms,
        "tier_seconds": found.tier_seconds,
        "channels": [
            {
                "name": one.channel.name,
                "unit": one.channel.quantity.value,
                "time_ms": one.time_ms.tolist(),
                "minimum": np.round(one.minimum, 4).tolist(),
                "mean": np.round(one.mean, 4).tolist(),
                "maximum": np.round(one.maximum, 4).tolist(),
                "count": one.count.tolist(),
                "rows_with_readings_outside_the_valid_range": one.outside,
            }
            for one in found.columns
        ],
    }


def block_spread(found: Curve) -> Column | None:
    """Highest less lowest of the block voltages, step by step, where at least two blocks were read."""
    blocks = [
        one for one in found.columns if one.channel.number and one.channel.quantity is Quantity.VOLTS and len(one.mean)
    ]
    if len(blocks) < 2:
        return None
    places = [(one.time_ms - found.from_ms) // found.step_ms for one in blocks]
    every = np.unique(np.concatenate(places))
    table = np.full((len(blocks), len(every)), np.nan)
    for row, (one, place) in enumerate(zip(blocks, places, strict=True)):
        table[row, np.searchsorted(every, place)] = one.mean
    enough = np.count_nonzero(~np.isnan(table), axis=0) >= 2
    spread = np.nanmax(table[:, enough], axis=0) - np.nanmin(table[:, enough], axis=0)
    times = np.maximum(every[enough] * found.step_ms + found.from_ms, found.from_ms)
    channel = Channel("block_spread", Quantity.VOLTS)
    return Column(channel, times, spread, spread, spread, np.ones(len(times), np.int64))


@dataclass(frozen=True)
class _Piece:
    """Rows of one series as they are kept, in trade units."""

    time_ms: Integers
    minimum: Floats
    mean: Floats
    maximum: Floats
    count: Integers
    outside: npt.NDArray[np.bool_]


_Pieces = dict[str, list[_Piece]]


class _Source:
    """The record of a bank, read in trade units."""

    def __init__(self, record: RecordReader, site: SiteSettings, bank: str, channels: Sequence[str]) -> None:
        self._record, self._bank, self._channels = record, bank, tuple(channels)
        stored = record.series()
        self._series = plan_of(site, bank, stored, record.sessions(), record.revisions(bank)).series
        chosen = [one for one in stored if one.bank == bank and one.channel.name in channels]
        # What was taken in after the last sealed hour is in no summary yet.
        self._sealed_until_ms = min((one.last_wall_ms or 0 for one in chosen), default=0)

    def gather(self, tier: int, from_ms: int, until_ms: int) -> _Pieces:
        """Rows of a tier; of a coarser one for what lies before its first row."""
        found = self._readings(from_ms, until_ms) if tier == READINGS else self._tier(tier, from_ms, until_ms)
        starts = [int(piece.time_ms[0]) for pieces in found.values() for piece in pieces]
        begin = min(starts, default=until_ms)
        later = TIERS[TIERS.index(tier) + 1 :]
        if later and begin - from_ms > 1000 * later[0]:
            before = self._tier_before(later, from_ms, begin)
            found = {name: [*before.get(name, ()), *found.get(name, ())] for name in {*found, *before}}
        if tier != READINGS and until_ms > self._sealed_until_ms:
            for name, piece in self._scans(from_ms, until_ms, hot_only=True):
                found.setdefault(name, []).append(piece)
        return found

    def _tier_before(self, tiers: Sequence[int], from_ms: int, until_ms: int) -> _Pieces:
        """Rows of the first of these tiers that has any; the others are coarser."""
        for tier in tiers:
            if until_ms - from_ms <= _LONGEST_MS[tier]:
                # Its rows are long: one that begins before would bring in what was not asked for.
                found = self._tier(tier, -(-from_ms // (1000 * tier)) * 1000 * tier, until_ms)
                if found:
                    return found
        return {}

    def _readings(self, from_ms: int, until_ms: int) -> _Pieces:
        found: _Pieces = {}
        for name, piece in self._scans(from_ms, until_ms, hot_only=False):
            found.setdefault(name, []).append(piece)
        return found

    def _scans(self, from_ms: int, until_ms: int, *, hot_only: bool) -> Iterator[tuple[str, _Piece]]:
        for block in self._record.readings(self._bank, from_ms, until_ms, self._channels, hot_only=hot_only):
            wall = settled_wall_ms(block)
            order = np.argsort(wall, kind="stable")
            for place, one in enumerate(block.series):
                series = self._series[one]
                piece = _of_readings(series, wall[order], block.counts[place][order])
                if piece is not None:
                    yield series.channel.name, piece

    def _tier(self, tier: int, from_ms: int, until_ms: int) -> _Pieces:
        begin = from_ms // (1000 * tier) * 1000 * tier
        rows: dict[int, list[SummaryColumns]] = {}
        for one in self._record.summaries(self._bank, tier, begin, until_ms, self._channels):
            rows.setdefault(one.series, []).append(one)
        found: _Pieces = {}
        for number, parts in rows.items():
            minimum, mean, maximum = (
                np.concatenate([getattr(part, name) for part in parts]).astype(np.float64)
                for name in ("minimum", "mean", "maximum")
            )
            starts, count = (np.concatenate([getattr(part, name) for part in parts]) for name in ("start_ms", "count"))
            series = self._series[number]
            piece = _of_summary(series, starts, (minimum, mean, maximum), count)
            found.setdefault(series.channel.name, []).append(piece)
        return found


_LONGEST_MS = dict(zip(TIERS, (*_FITS_MS, 2**63), strict=True))


def _of_readings(series: Series, at_ms: Integers, counts: Integers) -> _Piece | None:
    fine = to_fine(counts, at_ms, series.scales)
    low, high = _valid(series.scales, at_ms)
    present = fine != MISSING
    inside = present & (fine >= low) & (fine <= high)
    if not inside.any():
        return None
    values = fine[inside] / FINE_PER_TRADE
    # The rows next to what was left out carry the mark of it.
    outside = np.zeros(len(values), dtype=np.bool_)
    left_out = np.flatnonzero(present & ~inside)
    outside[np.minimum(np.searchsorted(np.flatnonzero(inside), left_out), len(values) - 1)] = True
    return _Piece(at_ms[inside], values, values, values, np.ones(len(values), np.int64), outside)


def _of_summary(series: Series, start_ms: Integers, bounds: tuple[Floats, Floats, Floats], count: Integers) -> _Piece:
    stage = _stages(series.scales, start_ms)
    factor = np.array([scale.factor for scale in series.scales])[stage]
    shift = np.array([scale.shift for scale in series.scales])[stage]
    low, high = _valid(series.scales, start_ms)
    one, mean, other = (bound * factor + shift for bound in bounds)
    least, most = np.rint(np.minimum(one, other)), np.rint(np.maximum(one, other))
    outside = (least < low) | (most > high)
    held = [np.clip(values, low, high) / FINE_PER_TRADE for values in (least, mean, most)]
    return _Piece(start_ms, held[0], held[1], held[2], count, outside)


def _stages(scales: Sequence[SeriesScale], at_ms: Integers) -> Integers:
    """Which scale is in force at each time."""
    starts = np.array([scale.since_ms or 0 for scale in scales[1:]], dtype=np.int64)
    return np.searchsorted(starts, at_ms, side="right").astype(np.int64)


def _valid(scales: Sequence[SeriesScale], at_ms: Integers) -> tuple[Integers, Integers]:
    bounds = np.array([scale.valid for scale in scales], dtype=np.int64)[_stages(scales, at_ms)]
    return bounds[:, 0], bounds[:, 1]


def _thinned(channel: Channel, pieces: Sequence[_Piece], from_ms: int, step_ms: int, most: int) -> Column:
    """Rows put together so that each stands for one step: lowest of the lowest, highest of the highest."""
    if not pieces:
        none, nothing = np.zeros(0), np.zeros(0, np.int64)
        return Column(channel, nothing, none, none, none, nothing)
    times = np.concatenate([piece.time_ms for piece in pieces])
    order = np.argsort(times, kind="stable")
    times = times[order]
    place = np.clip((times - from_ms) // step_ms, 0, most - 1)
    first = np.flatnonzero(np.concatenate(([True], np.diff(place) > 0)))

    def column(name: str) -> Any:
        return np.concatenate([getattr(piece, name) for piece in pieces])[order]

    count = column("count")
    total = np.add.reduceat(count, first)
    return Column(
        channel,
        np.maximum(times[first], from_ms),
        np.minimum.reduceat(column("minimum"), first),
        np.add.reduceat(column("mean") * count, first) / total,
        np.maximum.reduceat(column("maximum"), first),
        total,
        int(np.count_nonzero(np.logical_or.reduceat(column("outside"), first))),
    )
