"""The tables of the file beside the record that says who may look at the pages, as those of tables.py."""

from __future__ import annotations

from loggerd.store.tables import EPOCH, NO_UNIT, Column, Table


def _id(meaning: str) -> Column:
    return Column("id", "INTEGER PRIMARY KEY", NO_UNIT, meaning)


def _text(name: str, meaning: str, rule: str = "") -> Column:
    return Column(name, f"TEXT NOT NULL {rule}".strip(), NO_UNIT, meaning)


def _hash(meaning: str, rule: str = "UNIQUE") -> Column:
    return Column("hash", f"BLOB NOT NULL {rule}", NO_UNIT, meaning)


def _at(name: str, meaning: str, rule: str = "NOT NULL") -> Column:
    return Column(name, f"INTEGER {rule}".strip(), EPOCH, meaning)


_PERSON = Column("person", "INTEGER NOT NULL REFERENCES person(id) ON DELETE CASCADE", NO_UNIT, "whose it is")

ACCESS_TABLES = (
    Table(
        "person",
        "who may sign in",
        (
            _id("number of the person"),
            _text("name", "as it is shown"),
            _text("folded", "the name without regard to capitals, by which it is found", "UNIQUE"),
            _text("role", "reader or keeper"),
            _text("password", "scrypt hash with its salt and costs, never the password"),
            _text("language", "en or de"),
            Column("fahrenheit", "INTEGER NOT NULL", NO_UNIT, "1: temperatures in °F"),
            _at("created_ms", "when the person was added"),
        ),
    ),
    Table(
        "session",
        "browsers that are signed in",
        (
            _id("number of the session"),
            _hash("SHA-256 of what the browser's cookie holds"),
            _PERSON,
            _at("began_ms", "when somebody signed in"),
            _at("seen_ms", "when it was last used, to five minutes"),
            _at("ends_ms", "when it ends at the latest"),
            _text("agent", "what the browser says it is"),
            _text("address", "where it came from when it began"),
        ),
    ),
    Table(
        "device",
        "browsers from which somebody has signed in before: wrong tries of strangers do not hold them up",
        (
            _id("number of the device"),
            _hash("SHA-256 of what the browser's second cookie holds"),
            _PERSON,
            _at("used_ms", "when somebody last signed in from it"),
        ),
    ),
    Table(
        "token",
        "programs that may ask",
        (
            _id("number of the token"),
            _text("name", "what the program is called", "UNIQUE"),
            _hash("SHA-256 of the token"),
            _text("scope", "read or enter"),
            _at("created_ms", "when it was made"),
            _at("used_ms", "when it was last used, to five minutes; NULL for never", ""),
            _at("revoked_ms", "when it was revoked, NULL while it holds", ""),
        ),
    ),
    Table(
        "audit",
        "what was done about access, the last of it",
        (
            _id("number of the line, in order"),
            _at("at_ms", "when it was done"),
            _text("who", "person, program or command"),
            _text("address", 'where from, "" on this machine'),
            _text("what", "kind of event"),
            _text("words", "more of it; never a secret"),
        ),
    ),
    Table(
        "tries",
        "wrong tries, to slow down who guesses",
        (
            Column("key", "TEXT NOT NULL PRIMARY KEY", NO_UNIT, "what is counted: address, name or device, shortened"),
            Column("wrong", "INTEGER NOT NULL", "tries", "wrong ones so far"),
            _at("last_ms", "when the last one was"),
            _at("until_ms", "nothing is looked at before that"),
        ),
    ),
    Table(
        "used_link",
        "links of mails that have been used; each works once",
        (
            _hash("SHA-256 of the link's token", "PRIMARY KEY"),
            _text("who", "the keeper it was sent to"),
            _at("used_ms", "when it was used"),
            _at("ends_ms", "when the link would have ended anyway"),
        ),
    ),
)

ACCESS_INDEXES = (
    "CREATE INDEX session_by_person ON session (person)",
    "CREATE INDEX device_by_person ON device (person)",
    "CREATE INDEX tries_by_age ON tries (last_ms)",
)
