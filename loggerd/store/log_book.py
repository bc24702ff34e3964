"""The log book in the record: append-only rows."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable
from typing import Any

from loggerd.model.log_book import LogEntry
from loggerd.store.shapes import TakenIn

_COLUMNS = "uid, bank, kind, happened_wall_ms, session, mono_ms, wall_ms, who, data, text, corrects"


def write_log(connection: sqlite3.Connection, entries: Iterable[TakenIn]) -> None:
    """Appends entries, inside a transaction. One whose uid is there already is a mistake of the caller."""
    connection.executemany(
        f"INSERT INTO log_entry ({_COLUMNS}) VALUES (?{', ?' * 10})", [_row(taken) for taken in entries]
    )


def _row(taken: TakenIn) -> tuple[object, ...]:
    one = taken.entry
    return (
        one.uid,
        one.bank,
        one.kind,
        one.happened_at_ms,
        taken.session,
        taken.mono_ms,
        taken.wall_ms,
        one.who,
        json.dumps(dict(one.data), separators=(",", ":"), ensure_ascii=False, allow_nan=False),
        one.text,
        one.corrects,
    )


def _taken(row: tuple[Any, ...]) -> TakenIn:
    identity, uid, bank, kind, happened, session, mono_ms, wall_ms, who, data, text, corrects = row
    entry = LogEntry(uid, bank, kind, happened, who, json.loads(data), text, corrects)
    return TakenIn(entry, session, mono_ms, wall_ms, identity)


def log_entries(connection: sqlite3.Connection, bank: str | None) -> list[TakenIn]:
    """All entries of a bank, or of all banks, in the order in which they were taken in."""
    rows = connection.execute(
        f"SELECT id, {_COLUMNS} FROM log_entry WHERE ? IS NULL OR bank = ? ORDER BY id", (bank, bank)
    )
    return [_taken(row) for row in rows]


def log_entry(connection: sqlite3.Connection, uid: str) -> TakenIn | None:
    """The entry of that uid."""
    row = connection.execute(f"SELECT id, {_COLUMNS} FROM log_entry WHERE uid = ?", (uid,)).fetchone()
    return None if row is None else _taken(row)


def last_mono_ms(connection: sqlite3.Connection, session: int) -> int | None:
    """When the last entry of a session was taken in."""
    row = connection.execute("SELECT max(mono_ms) FROM log_entry WHERE session = ?", (session,)).fetchone()
    return None if row[0] is None else int(row[0])
