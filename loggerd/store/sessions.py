"""Sessions, their order in the fold, and where readings of a bank begin."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator

import numpy as np

from loggerd.errors import StoreDamaged
from loggerd.model.scan import ClockState, ScanBlock
from loggerd.store.blocks import settled_wall_ms
from loggerd.store.bundle import decode_bundle
from loggerd.store.hot import HotCommit, hot_commits, hot_sessions, hot_windows
from loggerd.store.shapes import Session, SessionKind

# Live sessions as they began; each file after the live session that began before its first reading.
_FOLD_ORDER = (
    "ORDER BY CASE kind WHEN 'live' THEN id ELSE fold_after END, kind <> 'live', coalesce(first_wall_ms, 0), id"
)


def begin(
    connection: sqlite3.Connection, kind: SessionKind, wall_ms: int, mono_ms: int, note: str, clock: ClockState
) -> int:
    """Stores a new session and returns its id. An import is not shown until it is marked complete.

    For an import, `mono_ms` is the time of its first reading.
    """
    row = connection.execute(
        "INSERT INTO session (kind, complete, began_wall_ms, began_mono_ms, began_clock, note, fold_after)"
        " VALUES (?, ?, ?, ?, ?, ?, (SELECT coalesce(max(id), 0) FROM session WHERE ? AND kind = 'live'"
        " AND coalesce(first_wall_ms, began_wall_ms) <= ?)) RETURNING id",
        (kind, int(kind == "live"), wall_ms, mono_ms, int(clock), note, kind == "import", mono_ms),
    ).fetchone()
    return int(row[0])


def fold_order(connection: sqlite3.Connection) -> list[int]:
    """Ids of the sessions in the order in which they are folded. Files still being read in are left out."""
    return [int(row[0]) for row in connection.execute(f"SELECT id FROM session WHERE complete = 1 {_FOLD_ORDER}")]


def sessions(connection: sqlite3.Connection) -> list[Session]:
    """All sessions in fold order, with the last reading of each."""
    rows = connection.execute(
        "SELECT id, kind, began_wall_ms, began_mono_ms, note, first_wall_ms, last_mono_ms,"
        f" last_wall_minus_mono_ms, last_clock, began_clock FROM session WHERE complete = 1 {_FOLD_ORDER}"
    ).fetchall()
    found = []
    for order, row in enumerate(rows):
        first, last = row[5], row[6:9]
        hot = last_hot_stamp(connection, row[0])
        if hot is not None and (last[0] is None or hot[0] > last[0]):
            last = hot
        if first is None:
            first = _first_hot_wall(connection, row[0])
        clock = None if last[2] is None else ClockState(last[2])
        began = ClockState(row[9])
        found.append(Session(row[0], row[1], order, row[2], row[3], began, row[4], first, last[0], last[1], clock))
    return found


def last_hot_stamp(connection: sqlite3.Connection, session: int) -> tuple[int, int, int] | None:
    """mono_ms, wall_minus_mono_ms and clock of the last hot scan of a session."""
    last_commit = _last_hot(connection, session)
    blocks = hot_blocks(connection, last_commit) if last_commit else []
    if not blocks:
        return None
    last = max(blocks, key=lambda block: int(block.mono_ms[-1]))
    return int(last.mono_ms[-1]), int(last.wall_minus_mono_ms[-1]), int(last.clock[-1])


def _first_hot_wall(connection: sqlite3.Connection, session: int) -> int | None:
    windows = hot_windows(connection, session)
    commits = hot_commits(connection, session, windows[0]) if windows else ()
    first = min(commits, key=lambda commit: commit.first_mono_ms, default=None)
    blocks = hot_blocks(connection, first) if first else []
    return min((int(settled_wall_ms(block)[0]) for block in blocks), default=None)


def hot_of_session(connection: sqlite3.Connection, session: int) -> Iterator[HotCommit]:
    """All hot commits of a session, hour by hour."""
    for window in hot_windows(connection, session):
        yield from hot_commits(connection, session, window)


def _last_hot(connection: sqlite3.Connection, session: int) -> HotCommit | None:
    """The latest commit of a session whose head is whole."""
    for window in reversed(hot_windows(connection, session)):
        whole = [commit for commit in hot_commits(connection, session, window) if commit.payload]
        if whole:
            return max(whole, key=lambda commit: commit.first_mono_ms)
    return None


def hot_blocks(connection: sqlite3.Connection, commit: HotCommit) -> list[ScanBlock]:
    """The blocks of one hot commit; none when it is damaged."""
    names: dict[int, str] = dict(connection.execute("SELECT id, name FROM device"))
    try:
        return decode_bundle(commit.payload, commit.tag, names.get)
    except StoreDamaged:
        return []  # whoever reads the readings themselves is told


def last_mono_ms(connection: sqlite3.Connection, session: int) -> int | None:
    """Time of the last stored scan of a session."""
    hot = _last_hot(connection, session)
    found = [hot.last_mono_ms] if hot else []
    sealed = connection.execute("SELECT last_mono_ms FROM session WHERE id = ?", (session,)).fetchone()
    if sealed and sealed[0] is not None:
        found.append(int(sealed[0]))
    return max(found, default=None)


def last_wall_ms(connection: sqlite3.Connection, session: int) -> int:
    """Wall time of the last sealed scan of a session, or when the session began."""
    row = connection.execute(
        "SELECT coalesce(last_mono_ms + last_wall_minus_mono_ms, began_wall_ms) FROM session WHERE id = ?", (session,)
    ).fetchone()
    return int(row[0])


def raw_from_ms(connection: sqlite3.Connection, bank: str) -> int | None:
    """Time of the earliest reading of a bank that is still in the record; None when there is none."""
    devices = [row[0] for row in connection.execute("SELECT DISTINCT device FROM series WHERE bank = ?", (bank,))]
    found = []
    for device in devices:
        row = connection.execute("SELECT min(first_wall_ms) FROM sealed WHERE device = ?", (device,)).fetchone()
        found += [int(row[0])] if row[0] is not None else []
    series = [row[0] for row in connection.execute("SELECT id FROM series WHERE bank = ?", (bank,))]
    hot = _first_hot_ms(connection, series)
    return min([*found, *([hot] if hot is not None else [])], default=None)


def _first_hot_ms(connection: sqlite3.Connection, series: list[int]) -> int | None:
    """Time of the first reading of these series that is not sealed yet."""
    for session in hot_sessions(connection):
        for commit in hot_of_session(connection, session):
            for block in hot_blocks(connection, commit):
                if np.isin(block.series, series).any():
                    return int(settled_wall_ms(block)[0])
    return None
