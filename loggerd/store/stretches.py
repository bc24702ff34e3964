"""Readings by wall time rather than in fold order: for looking at a short stretch, and at what is not sealed yet."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterator

import numpy as np

from loggerd.errors import StoreDamaged
from loggerd.model.scan import ScanBlock
from loggerd.store.blocks import pick, settled_wall_ms
from loggerd.store.bundle import decode_bundle
from loggerd.store.codec import decode_block
from loggerd.store.hot import hot_sessions
from loggerd.store.readings import CLOCK, MONO, OFFSET
from loggerd.store.sessions import hot_of_session

# Far longer than an hour block can be by the wall clock, save one in which the clock was set by days.
_LONGEST_BLOCK_MS = 48 * 3_600_000

Span = tuple[int, int]


def sealed_stretch(connection: sqlite3.Connection, wanted: Collection[int], span: Span) -> Iterator[ScanBlock]:
    """Scans of sealed hours whose wall time lies in [from, until), with only the wanted series.

    In no order; what fails its check sum is left out, as a gap.
    """
    names: dict[int, str] = dict(connection.execute("SELECT id, name FROM device"))
    columns = set(wanted) | {MONO, OFFSET, CLOCK}
    for device in _devices(connection, wanted):
        rows = connection.execute(
            "SELECT b.session, b.window, b.payload FROM sealed b JOIN session s ON s.id = b.session"
            " WHERE b.device = ? AND b.first_wall_ms >= ? AND b.first_wall_ms < ? AND b.last_wall_ms >= ?"
            " AND s.complete = 1",
            (device, span[0] - _LONGEST_BLOCK_MS, span[1], span[0]),
        ).fetchall()
        for session, window, payload in rows:
            try:
                found = decode_block(payload, (session, device, window), columns).by_id
            except StoreDamaged:
                continue
            series = tuple(one for one in found if one > 0)
            block = ScanBlock(
                names[device],
                session,
                series,
                found[MONO],
                found[OFFSET],
                found[CLOCK],
                tuple(found[one] for one in series),
            )
            yield from _inside(block, span)


def hot_stretch(connection: sqlite3.Connection, wanted: Collection[int], span: Span) -> Iterator[ScanBlock]:
    """Likewise, scans that are not sealed yet."""
    chosen = set(wanted)
    names: dict[int, str] = dict(connection.execute("SELECT id, name FROM device"))
    for session in hot_sessions(connection):
        for commit in hot_of_session(connection, session):
            try:
                blocks = decode_bundle(commit.payload, commit.tag, names.get)
            except StoreDamaged:
                continue
            for block in blocks:
                if chosen.intersection(block.series):
                    yield from _inside(_only(block, chosen), span)


def _devices(connection: sqlite3.Connection, wanted: Collection[int]) -> list[int]:
    marks = ",".join("?" * len(wanted))
    rows = connection.execute(f"SELECT DISTINCT device FROM series WHERE id IN ({marks})", tuple(wanted))
    return [int(row[0]) for row in rows]


def _only(block: ScanBlock, chosen: set[int]) -> ScanBlock:
    kept = [place for place, one in enumerate(block.series) if one in chosen]
    series = tuple(block.series[place] for place in kept)
    counts = tuple(block.counts[place] for place in kept)
    return ScanBlock(
        block.device, block.boot, series, block.mono_ms, block.wall_minus_mono_ms, block.clock, counts
    )  # fmt: skip


def _inside(block: ScanBlock, span: Span) -> Iterator[ScanBlock]:
    wall = settled_wall_ms(block)
    inside = np.flatnonzero((wall >= span[0]) & (wall < span[1]))
    if len(inside) == len(block):
        yield block
    elif len(inside):
        yield pick(block, inside)
