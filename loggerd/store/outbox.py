"""The outbox in the record: what is to be told to whom, and the mails made of it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from typing import Any

from loggerd.model.alarm import Priority
from loggerd.model.outbox import (
    ItemKind,
    Lane,
    MailNote,
    MailState,
    NewItem,
    NewMail,
    OutboxItem,
    OutboxLook,
    OutboxMail,
    OutboxUpdate,
    Sent,
)
from loggerd.store.alarms import change_columns, change_of
from loggerd.store.connection import transaction

DAY_MS = 86_400_000
CONTENT_DAYS = 90
"""Days that the content of a mail is kept after it was accepted or refused."""
ROW_DAYS = 1095
"""Days that it is remembered that there was one."""
MOST_WAITING = 5_000
"""Items looked at together; more than that wait for the next mail."""
_PAGE = 500
_MAIL = (
    "id, lane, receiver, topic, address, message_id, subject, urgent, state, composed_ms, tries, next_try_ms,"
    " tried_ms, done_ms, answer, items"
)


def write_items(connection: sqlite3.Connection, items: Iterable[NewItem], changes: Sequence[int] = ()) -> None:
    """Adds items, inside a transaction. `changes`: numbers of the changes stored with them."""
    connection.executemany(
        "INSERT INTO outbox_item (lane, receiver, kind, alarm_change, priority, urgent, rides, number, made_ms, due_ms,"
        " mail, dropped) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, NULL, '')",
        [
            (
                one.lane.value,
                one.receiver,
                one.kind.value,
                one.change if one.of_commit is None else changes[one.of_commit],
                one.priority.value,
                int(one.urgent),
                int(one.rides),
                one.number,
                one.made_ms,
                one.due_ms,
            )
            for one in items
        ],
    )


def update(connection: sqlite3.Connection, changed: OutboxUpdate) -> tuple[int, ...]:
    """Stores changes of the outbox, inside a transaction; returns the numbers of the new mails."""
    write_items(connection, changed.items)
    numbers = tuple(_write_mail(connection, mail) for mail in changed.mails)
    for note in changed.notes:
        _write_note(connection, note)
    connection.executemany(
        "UPDATE outbox_item SET dropped = ? WHERE id = ? AND mail IS NULL",
        [(why, identity) for identity, why in changed.dropped],
    )
    return numbers


def _write_mail(connection: sqlite3.Connection, mail: NewMail) -> int:
    row = (mail.lane.value, mail.receiver, mail.topic, mail.address, mail.message_id, mail.subject, mail.content)
    cursor = connection.execute(
        "INSERT INTO outbox_mail (lane, receiver, topic, address, message_id, subject, content, urgent, items, state,"
        " composed_ms, tries, next_try_ms, tried_ms, done_ms, answer)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, 'queued', ?, 0, ?, NULL, NULL, '')",
        (*row, int(mail.urgent), len(mail.items), mail.composed_ms, mail.composed_ms),
    )
    number = cursor.lastrowid
    assert number is not None
    connection.executemany("UPDATE outbox_item SET mail = ? WHERE id = ?", [(number, one) for one in mail.items])
    return number


def _write_note(connection: sqlite3.Connection, note: MailNote) -> None:
    if note.state is MailState.SENDING:
        connection.execute(
            "UPDATE outbox_mail SET state = 'sending', tries = tries + 1, tried_ms = ? WHERE id = ?",
            (note.at_ms, note.id),
        )
        return
    if note.state is MailState.QUEUED:
        connection.execute(
            "UPDATE outbox_mail SET state = 'queued', answer = ?, next_try_ms = ? WHERE id = ?",
            (note.answer, note.next_try_ms, note.id),
        )
        return
    connection.execute(
        "UPDATE outbox_mail SET state = ?, answer = ?, done_ms = ? WHERE id = ?",
        (note.state.value, note.answer, note.at_ms, note.id),
    )
    if note.state is MailState.REFUSED:
        connection.execute("UPDATE outbox_item SET mail = NULL WHERE mail = ?", (note.id,))


def look(connection: sqlite3.Connection, lane: Lane, since_ms: int) -> OutboxLook:
    """What waits, and what left the outbox since a time."""
    rows = connection.execute(
        "SELECT i.id, i.lane, i.receiver, i.kind, i.made_ms, i.due_ms, i.priority, i.urgent, i.rides, i.number,"
        f" i.alarm_change, {change_columns('c')} FROM outbox_item i LEFT JOIN alarm_change c ON c.id = i.alarm_change"
        " WHERE i.lane = ? AND i.mail IS NULL AND i.dropped = '' ORDER BY i.id LIMIT ?",
        (lane.value, MOST_WAITING),
    ).fetchall()
    sent = connection.execute(
        "SELECT receiver, topic, address, state, composed_ms, done_ms, urgent, answer FROM outbox_mail"
        " WHERE done_ms >= ? AND lane = ? ORDER BY done_ms, id",
        (since_ms, lane.value),
    ).fetchall()
    return OutboxLook(
        tuple(_item(row) for row in rows),
        tuple(mails(connection, lane)),
        tuple(Sent(row[0], row[1], row[2], MailState(row[3]), row[4], row[5], bool(row[6]), row[7]) for row in sent),
    )


def mails(connection: sqlite3.Connection, lane: Lane) -> list[OutboxMail]:
    """Mails on their way, in the order of composing."""
    rows = connection.execute(
        f"SELECT {_MAIL} FROM outbox_mail WHERE lane = ? AND state IN ('queued', 'sending') ORDER BY id", (lane.value,)
    )
    return [_mail(row) for row in rows]


def last_mails(connection: sqlite3.Connection, most: int) -> list[OutboxMail]:
    """The last mails that were composed, the newest first."""
    rows = connection.execute(f"SELECT {_MAIL} FROM outbox_mail ORDER BY id DESC LIMIT ?", (most,))
    return [_mail(row) for row in rows]


def content(connection: sqlite3.Connection, mail: int) -> bytes | None:
    """What is sent of a mail; None when its time is over or there is no such mail."""
    row = connection.execute("SELECT content FROM outbox_mail WHERE id = ?", (mail,)).fetchone()
    return None if row is None else row[0]


def _item(row: tuple[Any, ...]) -> OutboxItem:
    identity, lane, receiver, kind, made_ms, due_ms, priority, urgent, rides, number, change_id = row[:11]
    change = None if change_id is None else change_of(row[11:])
    flags = bool(urgent), bool(rides)
    return OutboxItem(
        identity, Lane(lane), receiver, ItemKind(kind), made_ms, due_ms, Priority(priority), *flags, number, change_id,
        change,
    )  # fmt: skip


def _mail(row: tuple[Any, ...]) -> OutboxMail:
    identity, lane, receiver, topic, address, message_id, subject, urgent, state = row[:9]
    named = (receiver, topic, address, message_id, subject)
    return OutboxMail(identity, Lane(lane), *named, bool(urgent), MailState(state), *row[9:])


def retain_outbox(connection: sqlite3.Connection, now_wall_ms: int) -> None:
    """Lets go of the content of mails that are long done, then of items and mails themselves, a few at a time."""
    content_ms, row_ms = now_wall_ms - CONTENT_DAYS * DAY_MS, now_wall_ms - ROW_DAYS * DAY_MS
    steps = (
        ("UPDATE outbox_mail SET content = NULL WHERE id IN"
         " (SELECT id FROM outbox_mail WHERE done_ms < ? AND content IS NOT NULL LIMIT ?)", content_ms),
        ("DELETE FROM outbox_item WHERE id IN (SELECT i.id FROM outbox_mail m JOIN outbox_item i ON i.mail = m.id"
         " WHERE m.done_ms < ? LIMIT ?)", row_ms),
        ("DELETE FROM outbox_mail WHERE id IN (SELECT id FROM outbox_mail m WHERE done_ms < ?"
         " AND NOT EXISTS (SELECT 1 FROM outbox_item WHERE mail = m.id) LIMIT ?)", row_ms),
        ("DELETE FROM outbox_item WHERE id IN"
         " (SELECT id FROM outbox_item WHERE dropped <> '' AND made_ms < ? LIMIT ?)", row_ms),
    )  # fmt: skip
    for statement, before_ms in steps:
        done = _PAGE
        while done == _PAGE:
            with transaction(connection):
                done = connection.execute(statement, (before_ms, _PAGE)).rowcount
