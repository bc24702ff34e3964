"""Readings by wall time rather than in fold order: for looking at a short stretch, and at what is not sealed yet."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterator

import numpy as np

from loggerd.errors import StoreDamaged
from loggerd.model.scan import ScanBlock
from loggerd.store.blocks import pick, settled_wall_ms
from loggerd.store.bundle import decode_bundle
from loggerd.store.hot import hot_sessions
from loggerd.store.readings import sealed_block
from loggerd.store.sessions import hot_of_session

# Far longer than an hour block can be by the wall clock, save one in which the clock was set by days.
_LONGEST_BLOCK_MS = 48 * 3_600_000

Span = tuple[int, int]


def sealed_stretch(connection: sqlite3.Connection, wanted: Collection[int], span: Span) -> Iterator[ScanBlock]:
    """Scans of sealed hours whose wall time lies in [from, until), with only the wanted series.

    In no order; what fails its check sum is left out, as a gap.
    """
    names: dict[int, str] = dict(connection.execute("SELECT id, name FROM device"))
    for device in _devices(connection, wanted):
        rows = connection.execute(
            "SELECT b.session, b.window, b.payload FROM sealed b JOIN session s ON s.id = b.session"
            " WHERE b.device = ? AND b.first_wall_ms >= ? AND b.first_wall_ms < ? AND b.last_wall_ms >= ?"
            " AND s.complete = 1",
            (device, span[0] - _LONGEST_BLOCK_MS, span[1], span[0]),
        ).fetchall()
        for session, window, payload in rows:
            try:
                block = sealed_block(payload, (session, device, window), names[device], wanted)
            except StoreDamaged:
                continue
            yield from _inside(block, span)


def hot_stretch(connection: sqlite3.Connection, wanted: Collection[int], span: Span) -> Iterator[ScanBlock]:
    """Likewise, scans that are not sealed yet."""
    names: dict[int, str] = dict(connection.execute("SELECT id, name FROM device"))
    for session in hot_sessions(connection):
        for commit in hot_of_session(connection, session):
            try:
                blocks = decode_bundle(commit.payload, commit.tag, names.get, wanted)
            except StoreDamaged:
                continue
            for block in blocks:
                yield from _inside(block, span)


def _devices(connection: sqlite3.Connection, wanted: Collection[int]) -> list[int]:
    marks = ",".join("?" * len(wanted))
    rows = connection.execute(f"SELECT DISTINCT device FROM series WHERE id IN ({marks})", tuple(wanted))
    return [int(row[0]) for row in rows]


def _inside(block: ScanBlock, span: Span) -> Iterator[ScanBlock]:
    wall = settled_wall_ms(block)
    inside = np.flatnonzero((wall >= span[0]) & (wall < span[1]))
    if len(inside) == len(block):
        yield block
    elif len(inside):
        yield pick(block, inside)
