"""Letting go of what is older than its time: raw readings, then minute summaries; nothing else is ever deleted."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, replace

from loggerd.store.connection import transaction
from loggerd.store.results import current_revision
from loggerd.store.sessions import fold_order
from loggerd.store.shapes import Retained
from loggerd.store.summaries import MINUTES, SPAN_MS

DAY_MS = 86_400_000
_BLOCKS_PER_SLICE = 24
_PAGE = 500


@dataclass(frozen=True)
class _Folded:
    """How far one bank that a device feeds has been folded by its current revision."""

    position: tuple[int, int] | None
    last_wall_ms: int
    """Last sealed reading of the bank's series on the device; later blocks do not concern the bank."""


def retain_raw(connection: sqlite3.Connection, cutoff_wall_ms: int) -> Retained:
    """Deletes sealed blocks that end before the cutoff and are folded, a few in each transaction.

    Sealed blocks are in the summaries since they were sealed. A block stays as long as the current revision of a
    bank in it has not folded it.
    """
    ranks = {session: rank for rank, session in enumerate(fold_order(connection))}
    total = Retained()
    for (device,) in connection.execute("SELECT id FROM device").fetchall():
        folded = _folded_banks(connection, device, ranks)
        slice_: list[tuple[int, int]] = []
        for row in _old_blocks(connection, device, cutoff_wall_ms):
            if _may_go(row, folded, ranks):
                slice_.append((row[0], row[1]))
            if len(slice_) == _BLOCKS_PER_SLICE:
                total = _delete(connection, slice_, total)
                slice_ = []
        total = _delete(connection, slice_, total)
    return total


def _folded_banks(connection: sqlite3.Connection, device: int, ranks: dict[int, int]) -> list[_Folded]:
    found = []
    for bank, last_wall in connection.execute(
        "SELECT bank, max(coalesce(last_wall_ms, 0)) FROM series WHERE device = ? GROUP BY bank", (device,)
    ).fetchall():
        revision = current_revision(connection, bank)
        row = None
        if revision is not None:
            row = connection.execute(
                "SELECT session, mono_ms FROM checkpoint WHERE bank = ? AND revision = ?", (bank, revision.id)
            ).fetchone()
        position = (ranks[row[0]], row[1]) if row and row[0] in ranks else None
        found.append(_Folded(position, last_wall))
    return found


def _old_blocks(
    connection: sqlite3.Connection, device: int, cutoff_wall_ms: int
) -> Iterator[tuple[int, int, int, int, int]]:
    """id, readings, session, last_mono_ms, first_wall_ms of blocks before the cutoff, oldest first."""
    after = (-(2**63), 0)
    while True:
        rows = connection.execute(
            "SELECT id, readings, session, last_mono_ms, first_wall_ms FROM sealed"
            " WHERE device = ? AND (first_wall_ms, id) > (?, ?) AND first_wall_ms < ? AND last_wall_ms < ?"
            " ORDER BY first_wall_ms, id LIMIT ?",
            (device, *after, cutoff_wall_ms, cutoff_wall_ms, _PAGE),
        ).fetchall()
        yield from rows
        if len(rows) < _PAGE:
            return
        after = (rows[-1][4], rows[-1][0])


def _may_go(row: tuple[int, int, int, int, int], folded: list[_Folded], ranks: dict[int, int]) -> bool:
    if row[2] not in ranks:
        return False
    place = (ranks[row[2]], row[3])
    return all(row[4] > bank.last_wall_ms or (bank.position is not None and place <= bank.position) for bank in folded)


def _delete(connection: sqlite3.Connection, rows: list[tuple[int, int]], total: Retained) -> Retained:
    if not rows:
        return total
    with transaction(connection):
        connection.executemany("DELETE FROM sealed WHERE id = ?", [(row[0],) for row in rows])
    return replace(total, blocks=total.blocks + len(rows), readings=total.readings + sum(r[1] for r in rows))


def retain_minutes(connection: sqlite3.Connection, cutoff_wall_ms: int) -> int:
    """Deletes minute summaries that end before the cutoff; returns the number of rows."""
    rows = connection.execute(
        "SELECT id FROM summary WHERE tier_seconds = ? AND span_ms < ? ORDER BY span_ms",
        (MINUTES, cutoff_wall_ms - SPAN_MS[MINUTES]),
    ).fetchall()
    for start in range(0, len(rows), _PAGE):
        with transaction(connection):
            connection.executemany("DELETE FROM summary WHERE id = ?", rows[start : start + _PAGE])
    return len(rows)
