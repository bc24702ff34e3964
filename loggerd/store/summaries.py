"""Minute, quarter-hour and four-hour summaries of raw counts, as column blocks by device and stretch of time.

A bucket of one series is minimum, maximum, count and the sum of (value - minimum), which stays small and makes sums
exact however the readings arrive: readings, and summaries of part of a bucket, go through the same gathering.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterable
from dataclasses import dataclass

import numpy as np

from loggerd.errors import StoreDamaged
from loggerd.model.channels import MISSING
from loggerd.model.scan import Integers, ScanBlock
from loggerd.store.blocks import settled_wall_ms
from loggerd.store.codec import Columns, decode_block, encode_block

MINUTES, QUARTERS, FOUR_HOURS = 60, 900, 14_400
"""The tiers: length of a bucket in seconds."""
SPAN_MS = {MINUTES: 6 * 3_600_000, QUARTERS: 24 * 3_600_000, FOUR_HOURS: 30 * 24 * 3_600_000}
"""Stretch that one row covers, by tier: rows are rewritten as their hours are sealed, so they are kept small."""

_START = -1
_PARTS = 4
_NO_MINIMUM = np.iinfo(np.int64).max
_EXACT = 2.0**52


@dataclass(frozen=True)
class Buckets:
    """Columns of one series: minimum, maximum, sum above the minimum, count. Empty where count is 0."""

    minimum: Integers
    maximum: Integers
    above: Integers
    count: Integers


@dataclass(frozen=True)
class Summary:
    """Buckets of several series of one device with common starts (epoch ms, strictly rising)."""

    start_ms: Integers
    series: dict[int, Buckets]


def summarise(block: ScanBlock, tier_seconds: int) -> Summary:
    """Summary of the scans of one block."""
    tier_ms = tier_seconds * 1000
    starts = settled_wall_ms(block) // tier_ms * tier_ms
    columns = {}
    for series, column in zip(block.series, block.counts, strict=True):
        present = column != MISSING
        columns[series] = Buckets(
            np.where(present, column, _NO_MINIMUM),
            column,
            np.zeros(len(column), dtype=np.int64),
            present.astype(np.int64),
        )
    return _gather(starts, columns)


def merge(parts: Iterable[Summary]) -> Summary:
    """One summary of all; a series that a part does not have counts as empty there."""
    parts = list(parts)
    if len(parts) == 1:
        return parts[0]
    every = sorted({series for part in parts for series in part.series})
    starts = np.concatenate([part.start_ms for part in parts])
    columns = {}
    for series in every:
        pieces = [part.series.get(series) or _empty(len(part.start_ms)) for part in parts]
        columns[series] = Buckets(
            np.concatenate([piece.minimum for piece in pieces]),
            np.concatenate([piece.maximum for piece in pieces]),
            np.concatenate([piece.above for piece in pieces]),
            np.concatenate([piece.count for piece in pieces]),
        )
    return _gather(starts, columns)


def coarser(summary: Summary, tier_seconds: int) -> Summary:
    """The same in the longer buckets of another tier."""
    tier_ms = tier_seconds * 1000
    return _gather(summary.start_ms // tier_ms * tier_ms, summary.series)


def _empty(n: int) -> Buckets:
    none = np.zeros(n, dtype=np.int64)
    return Buckets(np.full(n, _NO_MINIMUM), np.full(n, MISSING), none, none)


def _gather(starts: Integers, columns: dict[int, Buckets]) -> Summary:
    if np.any(np.diff(starts) < 0):
        order = np.argsort(starts, kind="stable")
        starts = starts[order]
        columns = {
            series: Buckets(b.minimum[order], b.maximum[order], b.above[order], b.count[order])
            for series, b in columns.items()
        }
    first = np.flatnonzero(np.concatenate(([True], np.diff(starts) > 0)))
    sizes = np.diff(np.concatenate((first, [len(starts)])))
    return Summary(starts[first], {series: _group(b, first, sizes) for series, b in columns.items()})


def _group(buckets: Buckets, first: Integers, sizes: Integers) -> Buckets:
    minimum = np.minimum.reduceat(buckets.minimum, first)
    lowest = np.repeat(minimum, sizes)
    present = buckets.count > 0
    # Numbers so far apart that a sum could leave 64 bits are of no instrument; there the mean may be inexact.
    rise = np.where(present, buckets.minimum.astype(np.float64) - lowest.astype(np.float64), 0.0)
    if np.any(rise * buckets.count > _EXACT):
        limit = 2.0**62 / max(len(rise), 1)
        lifted = np.minimum(rise * buckets.count + buckets.above, limit).astype(np.int64)
    else:
        lifted = np.where(present, (buckets.minimum - lowest) * buckets.count + buckets.above, 0)
    return Buckets(
        minimum,
        np.maximum.reduceat(buckets.maximum, first),
        np.add.reduceat(lifted, first),
        np.add.reduceat(buckets.count, first),
    )


# -- rows --


def add_to_rows(connection: sqlite3.Connection, device: int, session: int, block: ScanBlock) -> list[str]:
    """Takes the scans of a block into the summary rows of its device and session; returns what was found damaged."""
    lost = []
    for tier_seconds, span_ms in SPAN_MS.items():
        summary = summarise(block, tier_seconds)
        spans = summary.start_ms // span_ms * span_ms
        for span in np.unique(spans).tolist():
            inside = spans == span
            part = _inside(summary, inside)
            lost += _add_to_row(connection, (tier_seconds, device, session, span), part)
    return lost


def _add_to_row(connection: sqlite3.Connection, key: tuple[int, int, int, int], part: Summary) -> list[str]:
    where = "tier_seconds = ? AND device = ? AND session = ? AND span_ms = ?"
    row = connection.execute(f"SELECT id, payload FROM summary WHERE {where}", key).fetchone()
    if row is None:
        connection.execute(
            "INSERT INTO summary (tier_seconds, device, session, span_ms, payload) VALUES (?, ?, ?, ?, ?)",
            (*key, encode_summary(key, part)),
        )
        return []
    lost = []
    try:
        part = merge((decode_summary(key, row[1]), part))
    except StoreDamaged as error:
        lost = [f"summaries of {key[0]} s from {key[3]} ms on, up to now, are lost: {error}"]
    connection.execute("UPDATE summary SET payload = ? WHERE id = ?", (encode_summary(key, part), row[0]))
    return lost


def build_tier(connection: sqlite3.Connection, tier_seconds: int, finer_seconds: int) -> None:
    """Makes the rows of a tier from those of a finer one, row by row; what is damaged there is missing here too."""
    rows = connection.execute("SELECT DISTINCT device, session FROM summary WHERE tier_seconds = ?", (finer_seconds,))
    for device, session in rows.fetchall():
        spans = connection.execute(
            "SELECT span_ms, payload FROM summary WHERE tier_seconds = ? AND device = ? AND session = ?"
            " ORDER BY span_ms",
            (finer_seconds, device, session),
        )
        parts: dict[int, list[Summary]] = {}
        for span, payload in spans:
            longer = span // SPAN_MS[tier_seconds] * SPAN_MS[tier_seconds]
            if longer not in parts:
                _insert_rows(connection, tier_seconds, device, session, parts)
                parts = {longer: []}
            try:
                whole = decode_summary((finer_seconds, device, session, span), payload)
            except StoreDamaged:
                continue  # readers leave it out as well; whoever seals into it says so
            parts[longer].append(coarser(whole, tier_seconds))
        _insert_rows(connection, tier_seconds, device, session, parts)


def _insert_rows(
    connection: sqlite3.Connection, tier_seconds: int, device: int, session: int, parts: dict[int, list[Summary]]
) -> None:
    for span, pieces in parts.items():
        if pieces:
            key = (tier_seconds, device, session, span)
            connection.execute(
                "INSERT INTO summary (tier_seconds, device, session, span_ms, payload) VALUES (?, ?, ?, ?, ?)",
                (*key, encode_summary(key, merge(pieces))),
            )


def _inside(summary: Summary, chosen: Integers) -> Summary:
    return Summary(
        summary.start_ms[chosen],
        {
            series: Buckets(b.minimum[chosen], b.maximum[chosen], b.above[chosen], b.count[chosen])
            for series, b in summary.series.items()
        },
    )


def encode_summary(key: tuple[int, int, int, int], summary: Summary) -> bytes:
    """Payload of a summary row; `key` is tier_seconds, device, session, span_ms."""
    columns = [(_START, summary.start_ms)]
    for series, b in summary.series.items():
        empty = b.count == 0
        parts = (np.where(empty, MISSING, b.minimum), b.maximum, np.where(empty, MISSING, b.above), b.count)
        columns += [(series * _PARTS + i, part) for i, part in enumerate(parts)]
    tier_seconds, device, session, span = key
    return encode_block((session, device * 1000 + tier_seconds, span), columns)


def decode_summary(key: tuple[int, int, int, int], payload: bytes, wanted: Collection[int] | None = None) -> Summary:
    """Opposite of encode_summary, with only the wanted series where given. Raises StoreDamaged."""
    tier_seconds, device, session, span = key
    ids = None if wanted is None else {_START} | {s * _PARTS + i for s in wanted for i in range(_PARTS)}
    found = decode_block(payload, (session, device * 1000 + tier_seconds, span), ids)
    series = sorted({identity // _PARTS for identity in found.by_id if identity != _START})
    return Summary(found.by_id[_START], {s: _buckets(found, s) for s in series})


def _buckets(found: Columns, series: int) -> Buckets:
    minimum, maximum, above, count = (found.by_id[series * _PARTS + i] for i in range(_PARTS))
    empty = count == 0
    return Buckets(np.where(empty, _NO_MINIMUM, minimum), maximum, np.where(empty, 0, above), count)
