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


def log_rows(connection: sqlite3.Connection, where: str, values: tuple[object, ...]) -> list[TakenIn]:
    """Entries by a condition (with the order, where one is wanted) and what stands for its question marks."""
    return [_taken(row) for row in connection.execute(f"SELECT id, {_COLUMNS} FROM log_entry WHERE {where}", values)]


def log_entries(connection: sqlite3.Connection, bank: str | None) -> list[TakenIn]:
    """All entries of a bank, or of all banks, in the order in which they were taken in."""
    return log_rows(connection, "? IS NULL OR bank = ? ORDER BY id", (bank, bank))


def log_between(connection: sqlite3.Connection, bank: str, span: tuple[int, int], most: int) -> list[TakenIn]:
    """The newest entries about what happened in [from, until), in order of time; those that were corrected are left
    out."""
    rows = connection.execute(
        f"SELECT id, {_COLUMNS} FROM log_entry WHERE bank = ? AND happened_wall_ms >= ? AND happened_wall_ms < ?"
        " AND uid NOT IN (SELECT corrects FROM log_entry WHERE corrects IS NOT NULL)"
        " ORDER BY happened_wall_ms DESC, id DESC LIMIT ?",
        (bank, *span, most),
    ).fetchall()
    return [_taken(row) for row in reversed(rows)]


def log_entry(connection: sqlite3.Connection, uid: str) -> TakenIn | None:
    """The entry of that uid."""
    row = connection.execute(f"SELECT id, {_COLUMNS} FROM log_entry WHERE uid = ?", (uid,)).fetchone()
    return None if row is None else _taken(row)


def last_mono_ms(connection: sqlite3.Connection, session: int) -> int | None:
    """When the last entry of a session was taken in."""
    row = connection.execute("SELECT max(mono_ms) FROM log_entry WHERE session = ?", (session,)).fetchone()
    return None if row[0] is None else int(row[0])
