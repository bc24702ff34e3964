"""Reading summaries back: one stretch of time after another, all devices and sessions of a bank put together."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence

import numpy as np

from loggerd.errors import StoreDamaged
from loggerd.model.scan import Integers
from loggerd.store.shapes import StoredSeries, SummaryColumns
from loggerd.store.summaries import SPAN_MS, Buckets, Summary, decode_summary, merge


def read_summaries(
    connection: sqlite3.Connection, series: Sequence[StoredSeries], tier_seconds: int, from_ms: int, until_ms: int
) -> Iterator[SummaryColumns]:
    """Buckets that begin in [from, until), a piece for each series and stretch that has any, in order of time.

    Rows that fail their check sum are left out, as if no reading had been summarised there.
    """
    span_ms = SPAN_MS[tier_seconds]
    by_id = {one.id: one for one in series}
    spans = connection.execute(
        "SELECT DISTINCT span_ms FROM summary WHERE tier_seconds = ? AND span_ms > ? AND span_ms < ? ORDER BY span_ms",
        (tier_seconds, from_ms - span_ms, until_ms),
    ).fetchall()
    names = sorted({one.device for one in series})
    marks = ",".join("?" * len(names))
    for (span,) in spans:
        rows = connection.execute(
            "SELECT device, session, payload FROM summary WHERE tier_seconds = ? AND span_ms = ?"
            f" AND device IN (SELECT id FROM device WHERE name IN ({marks}))",
            (tier_seconds, span, *names),
        ).fetchall()
        parts = [_decode((tier_seconds, device, session, span), payload, by_id) for device, session, payload in rows]
        whole = [part for part in parts if part is not None]
        if whole:
            yield from _columns(merge(whole), by_id, from_ms, until_ms)


def _decode(key: tuple[int, int, int, int], payload: bytes, by_id: dict[int, StoredSeries]) -> Summary | None:
    try:
        return decode_summary(key, payload, by_id)
    except StoreDamaged:
        return None


def _columns(summary: Summary, by_id: dict[int, StoredSeries], from_ms: int, until_ms: int) -> Iterator[SummaryColumns]:
    inside = (summary.start_ms >= from_ms) & (summary.start_ms < until_ms)
    for series, buckets in summary.series.items():
        chosen = np.flatnonzero(inside & (buckets.count > 0))
        if len(chosen):
            yield _picked(by_id[series], summary.start_ms, buckets, chosen)


def _picked(series: StoredSeries, starts: Integers, buckets: Buckets, chosen: Integers) -> SummaryColumns:
    minimum, count = buckets.minimum[chosen], buckets.count[chosen]
    return SummaryColumns(
        series.id,
        series.channel,
        starts[chosen],
        minimum,
        buckets.maximum[chosen],
        minimum + buckets.above[chosen] / count,
        count,
    )
