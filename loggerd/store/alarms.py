"""Alarms in the record: rows as they stand, and every change of them."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from typing import Any

from loggerd.model.alarm import Alarm, AlarmChange, AlarmEvent, AlarmKey, AlarmResults, AlarmState
from loggerd.model.alarm_plain import alarm_from_plain, alarm_to_plain, change_from_plain, change_to_plain
from loggerd.model.ledger import Instant
from loggerd.store.shapes import StoredAlarmChange

_COLUMNS = ("bank", "condition", "subject", "at_session", "at_ms", "event", "before", "after", "who", "why", "basis")
_PAGE = 500


def write_alarms(connection: sqlite3.Connection, results: AlarmResults) -> list[int]:
    """Stores what a look came to, inside a transaction; returns the numbers of the changes."""
    connection.executemany(
        "INSERT INTO alarm (bank, condition, subject, state, active, body) VALUES (?, ?, ?, ?, ?, ?)"
        " ON CONFLICT DO UPDATE SET state = excluded.state, active = excluded.active, body = excluded.body",
        [
            (*_names(one.key), one.state.value, int(one.active), _text(alarm_to_plain(one)))
            for one in results.alarms
            if one.key not in results.gone
        ],
    )
    connection.executemany(
        "DELETE FROM alarm WHERE bank = ? AND condition = ? AND subject = ?", [_names(key) for key in results.gone]
    )
    statement = f"INSERT INTO alarm_change ({', '.join(_COLUMNS)}) VALUES (?{', ?' * (len(_COLUMNS) - 1)})"
    numbers = []
    for change in results.changes:
        number = connection.execute(statement, _row(change)).lastrowid
        assert number is not None
        numbers.append(number)
    return numbers


def _names(key: AlarmKey) -> tuple[str, str, str]:
    return key.bank, key.condition, key.subject


def _row(change: AlarmChange) -> tuple[object, ...]:
    plain = change_to_plain(change)
    basis = _text({"root": plain["root"], "evidence": plain["evidence"]})
    states = change.event.value, change.before.value, change.after.value
    return (*_names(change.key), change.at.session, change.at.at_ms, *states, change.who, change.why, basis)


def _text(plain: object) -> str:
    return json.dumps(plain, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def alarms(connection: sqlite3.Connection) -> list[Alarm]:
    """All alarms as they stand, in the order of their names."""
    rows = connection.execute("SELECT body FROM alarm ORDER BY bank, condition, subject")
    return [alarm_from_plain(json.loads(body)) for (body,) in rows]


def change_columns(table: str) -> str:
    """The columns of a change, of the table under that name in a query."""
    return ", ".join(f"{table}.{column}" for column in _COLUMNS)


def change_of(row: tuple[Any, ...]) -> AlarmChange:
    """The change of a row of those columns."""
    bank, condition, subject, session, at_ms, event, before, after, who, why, basis = row
    key, at = AlarmKey(bank, condition, subject), Instant(session, at_ms)
    bare = AlarmChange(key, at, AlarmEvent(event), AlarmState(before), AlarmState(after), who, why)
    return change_from_plain({**change_to_plain(bare), **json.loads(basis)})


def changes(
    connection: sqlite3.Connection, span: tuple[int, int], key: AlarmKey | None = None
) -> Iterator[StoredAlarmChange]:
    """Changes that fell due in [from, until), in the order in which they were stored; of one alarm if it is named."""
    where = ""
    names: tuple[str, ...] = ()
    if key is not None:
        where, names = " AND bank = ? AND condition = ? AND subject = ?", _names(key)
    last = 0
    while True:
        rows = connection.execute(
            f"SELECT id, {change_columns('alarm_change')} FROM alarm_change WHERE id > ? AND at_ms >= ? AND at_ms < ?"
            f"{where} ORDER BY id LIMIT ?",
            (last, *span, *names, _PAGE),
        ).fetchall()
        yield from (StoredAlarmChange(row[0], change_of(row[1:])) for row in rows)
        if len(rows) < _PAGE:
            return
        last = rows[-1][0]


def last_change(connection: sqlite3.Connection, key: AlarmKey, event: AlarmEvent) -> StoredAlarmChange | None:
    """The last change of an alarm by that event."""
    row = connection.execute(
        f"SELECT id, {change_columns('alarm_change')} FROM alarm_change"
        " WHERE bank = ? AND condition = ? AND subject = ? AND event = ? ORDER BY id DESC LIMIT 1",
        (*_names(key), event.value),
    ).fetchone()
    return None if row is None else StoredAlarmChange(row[0], change_of(row[1:]))
