"""Taking in past readings: straight to sealed blocks, shown only when the whole file is in."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime

from loggerd.errors import StoreError
from loggerd.model.scan import ScanBlock
from loggerd.store.blocks import cut_by_window, join_blocks, settled_wall_ms
from loggerd.store.connection import transaction
from loggerd.store.hot import hot_sessions
from loggerd.store.readings import ReadingsWriter
from loggerd.store.sessions import hot_blocks, hot_of_session

SCANS_PER_TRANSACTION = 100_000
_ROWS_PER_DELETE = 50
# Far longer than an hour block can be by the wall clock, save one in which the clock was set by days.
_LONGEST_BLOCK_MS = 48 * 3_600_000

Range = tuple[int, int]


def import_session(
    connection: sqlite3.Connection, writer: ReadingsWriter, session: int, blocks: Iterable[ScanBlock]
) -> int:
    """Stores all blocks as sealed hours of an import session and shows the session; returns the number of scans.

    Blocks of one device come in order of time; of several devices, roughly side by side. Raises StoreError when
    readings of a bank are already there for the same time; the caller then removes the session.
    """
    held: list[ScanBlock] = []
    scans = total = 0
    for block in blocks:
        writer.check([block])
        if block.boot != session:
            raise ValueError(f"a block of session {block.boot} in the import of session {session}")
        held.append(block)
        scans += len(block)
        total += len(block)
        if scans >= SCANS_PER_TRANSACTION:
            held = _store(connection, writer, session, held, keep_newest=True)
            scans = sum(len(left) for left in held)
    _store(connection, writer, session, held, keep_newest=False)
    with transaction(connection):
        connection.execute("UPDATE session SET complete = 1 WHERE id = ?", (session,))
    return total


def _store(
    connection: sqlite3.Connection,
    writer: ReadingsWriter,
    session: int,
    held: list[ScanBlock],
    *,
    keep_newest: bool,
) -> list[ScanBlock]:
    """Writes whole hours in one transaction; the newest hour may still grow and is handed back if wished."""
    windows = cut_by_window(held)
    left: list[ScanBlock] = []
    if keep_newest and len(windows) > 1:
        _, left = windows.popitem()
    with transaction(connection):
        for window, pieces in windows.items():
            joined = join_blocks(pieces)
            refuse_overlap(connection, session, joined)
            writer.write_sealed(session, window, joined)
    return left


def refuse_overlap(connection: sqlite3.Connection, session: int, blocks: Sequence[ScanBlock]) -> None:
    """Raises StoreError when another session has readings of the same banks in the same time."""
    series = sorted({identity for block in blocks for identity in block.series})
    walls = [settled_wall_ms(block) for block in blocks]
    new = (min(int(wall.min()) for wall in walls), max(int(wall.max()) for wall in walls))
    marks = ",".join("?" * len(series))
    devices = connection.execute(
        f"SELECT DISTINCT device, bank FROM series WHERE bank IN (SELECT bank FROM series WHERE id IN ({marks}))",
        series,
    ).fetchall()
    for device, bank in devices:
        old = _sealed_clash(connection, session, device, new) or _hot_clash(connection, session, device, new)
        if old is not None:
            raise StoreError(
                f'bank "{bank}": readings from {_words(new)} cannot be read in, because readings from {_words(old)}'
                " are already in the record; cut the file so that the times do not overlap"
            )


def _sealed_clash(connection: sqlite3.Connection, session: int, device: int, new: Range) -> Range | None:
    row = connection.execute(
        "SELECT first_wall_ms, last_wall_ms FROM sealed WHERE device = ? AND first_wall_ms >= ?"
        " AND first_wall_ms <= ? AND last_wall_ms >= ? AND session <> ? LIMIT 1",
        (device, new[0] - _LONGEST_BLOCK_MS, new[1], new[0], session),
    ).fetchone()
    return row if row is None else (int(row[0]), int(row[1]))


def _hot_clash(connection: sqlite3.Connection, session: int, device: int, new: Range) -> Range | None:
    name = connection.execute("SELECT name FROM device WHERE id = ?", (device,)).fetchone()[0]
    others = [other for other in hot_sessions(connection) if other != session]
    for commit in (one for other in others for one in hot_of_session(connection, other)):
        for block in hot_blocks(connection, commit):
            wall = settled_wall_ms(block)
            if block.device == name and wall.min() <= new[1] and wall.max() >= new[0]:
                return int(wall.min()), int(wall.max())
    return None


def _words(span: Range) -> str:
    first, last = (datetime.fromtimestamp(ms / 1000, UTC).isoformat(timespec="seconds") for ms in span)
    return f"{first} to {last}"


def remove_session(connection: sqlite3.Connection, session: int) -> None:
    """Takes an import session out again, a few rows at a time, the session itself last."""
    for table in ("sealed", "summary", "event"):
        rows = connection.execute(f"SELECT id FROM {table} WHERE session = ?", (session,)).fetchall()
        for start in range(0, len(rows), _ROWS_PER_DELETE):
            with transaction(connection):
                connection.executemany(f"DELETE FROM {table} WHERE id = ?", rows[start : start + _ROWS_PER_DELETE])
    with transaction(connection):
        connection.execute("DELETE FROM session WHERE id = ?", (session,))


def remove_unfinished(connection: sqlite3.Connection) -> None:
    """Takes out files whose reading in was cut short by the end of the process."""
    for (session,) in connection.execute("SELECT id FROM session WHERE complete = 0").fetchall():
        remove_session(connection, session)
