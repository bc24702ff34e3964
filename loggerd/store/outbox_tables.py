"""The tables of the outbox, as those of tables.py."""

from __future__ import annotations

from loggerd.store.tables import EPOCH, NO_UNIT, TABLES, Column, Table


def _id(meaning: str) -> Column:
    return Column("id", "INTEGER PRIMARY KEY", NO_UNIT, meaning)


def _text(name: str, meaning: str, rule: str = "") -> Column:
    return Column(name, f"TEXT NOT NULL {rule}".strip(), NO_UNIT, meaning)


def _whole(name: str, unit: str, meaning: str, rule: str = "NOT NULL") -> Column:
    return Column(name, f"INTEGER {rule}".strip(), unit, meaning)


OUTBOX_MAIL = Table(
    "outbox_mail",
    "mails and webhook calls, whole as they are sent, from composing to acceptance",
    (
        _id("number of the mail, in the order of composing"),
        _text("lane", "mail or webhook"),
        _text("receiver", "keeper"),
        _text("topic", "alarms, digest, heartbeat or test"),
        _text("address", "where it goes"),
        _text("message_id", "names it for ever, the same at each try", "UNIQUE"),
        _text("subject", "its subject"),
        Column("content", "BLOB", NO_UNIT, "what is sent, byte for byte; NULL when its time is over"),
        _whole("urgent", NO_UNIT, "1: danger to people is told in it"),
        _whole("items", NO_UNIT, "how many items are told in it"),
        _text("state", "queued, sending, accepted or refused"),
        _whole("composed_ms", EPOCH, "when it was composed"),
        _whole("tries", NO_UNIT, "tries that were begun"),
        _whole("next_try_ms", EPOCH, "not before this; meant for queued ones"),
        _whole("tried_ms", EPOCH, "when the last try began, NULL before the first", ""),
        _whole("done_ms", EPOCH, "when it was accepted or refused, NULL before", ""),
        _text("answer", "the last answer, in words"),
    ),
)

OUTBOX_ITEM = Table(
    "outbox_item",
    "what is to be told to whom",
    (
        _id("number of the item, in order"),
        _text("lane", "mail or webhook"),
        _text("receiver", "keeper"),
        _text("kind", "change, repeat, escalation, digest, heartbeat or test"),
        _whole("alarm_change", NO_UNIT, "change it is about, NULL for none", "REFERENCES alarm_change(id)"),
        _text("priority", "priority of the alarm"),
        _whole("urgent", NO_UNIT, "1: danger to people"),
        _whole("rides", NO_UNIT, "1: goes with any mail on alarms before it is due"),
        _whole("number", NO_UNIT, "of a repeat: which one"),
        _whole("made_ms", EPOCH, "when it was made"),
        _whole("due_ms", EPOCH, "not before this"),
        _whole("mail", NO_UNIT, "mail that tells it, NULL while it waits", "REFERENCES outbox_mail(id)"),
        _text("dropped", 'why it is not told; "" if it is'),
    ),
)
"""The tables of the outbox since schema version 6."""

OUTBOX_TABLES = (OUTBOX_MAIL, OUTBOX_ITEM)

ALL_TABLES = (*TABLES, *OUTBOX_TABLES)
"""Every table of the record; what is referred to comes before what refers to it."""

OUTBOX_INDEXES = (
    "CREATE INDEX outbox_item_waiting ON outbox_item (lane, id) WHERE mail IS NULL AND dropped = ''",
    "CREATE INDEX outbox_item_by_mail ON outbox_item (mail)",
    "CREATE INDEX outbox_item_by_change ON outbox_item (alarm_change)",
    "CREATE INDEX outbox_mail_open ON outbox_mail (lane, id) WHERE state IN ('queued', 'sending')",
    "CREATE INDEX outbox_mail_done ON outbox_mail (done_ms)",
)
