"""The tables of the record, each column with its unit and meaning, in one place.

The DDL (with the meanings as SQL comments) and the rows of `schema_notes` are both made from this, so that they
cannot disagree. FIRST_TABLES is the shape at schema version 1, which migrations in schema.py bring to TABLES.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

NO_UNIT = "-"
EPOCH = "ms since 1970-01-01 UTC"
MONO = "ms of the session's monotonic clock"


@dataclass(frozen=True)
class Column:
    """One column: its SQL declaration, its unit and what it means."""

    name: str
    declaration: str
    unit: str
    meaning: str


@dataclass(frozen=True)
class Table:
    """One table. `rules` are table constraints; `options` stand behind the closing bracket."""

    name: str
    meaning: str
    columns: tuple[Column, ...]
    rules: tuple[str, ...] = ()
    options: str = "STRICT"

    def ddl(self) -> str:
        """The CREATE statement, with every meaning as a comment (SQLite keeps it with the table)."""
        parts = [f"{c.name} {c.declaration}" for c in self.columns] + list(self.rules)
        notes = [f" -- [{c.unit}] {c.meaning}" for c in self.columns] + [""] * len(self.rules)
        commas = [","] * (len(parts) - 1) + [""]
        lines = [f"    {part}{comma}{note}" for part, comma, note in zip(parts, commas, notes, strict=True)]
        return "\n".join([f"CREATE TABLE {self.name} ( -- {self.meaning}", *lines, f") {self.options}"])


def _id(meaning: str) -> Column:
    return Column("id", "INTEGER PRIMARY KEY", NO_UNIT, meaning)


def _text(name: str, meaning: str, rule: str = "") -> Column:
    return Column(name, f"TEXT NOT NULL {rule}".strip(), NO_UNIT, meaning)


def _whole(name: str, unit: str, meaning: str, rule: str = "NOT NULL") -> Column:
    return Column(name, f"INTEGER {rule}".strip(), unit, meaning)


def _ref(name: str, table: str, meaning: str) -> Column:
    return Column(name, f"INTEGER NOT NULL REFERENCES {table}(id)", NO_UNIT, meaning)


FIRST_TABLES = (
    Table(
        "schema_notes",
        "what every column of this file means",
        (
            _text("table_name", "table"),
            _text("column_name", "column; empty for the table as a whole"),
            _text("unit", "unit of the values, - where there is none"),
            _text("meaning", "what it says"),
        ),
        ("PRIMARY KEY (table_name, column_name)",),
        "STRICT, WITHOUT ROWID",
    ),
    Table(
        "session",
        "runs of the service on one monotonic clock, and imported files",
        (
            _id("number of the session"),
            _text("kind", "live or import", "CHECK (kind IN ('live', 'import'))"),
            _whole("complete", NO_UNIT, "0 while a file is being read in; such a session is not shown"),
            _whole("began_wall_ms", EPOCH, "wall clock when it began"),
            _whole("began_mono_ms", MONO, "monotonic clock when it began"),
            _whole("began_clock", NO_UNIT, "0 wall clock set, 1 not set, when it began"),
            _text("note", "JSON: service or file, and the usual time between scans of each device [ms]"),
            _whole("fold_after", NO_UNIT, "of a file: the live session after which it is folded, 0 for none"),
            _whole("first_wall_ms", EPOCH, "time of the first reading; NULL before one is stored", ""),
            _whole("last_mono_ms", MONO, "last reading in a sealed block", ""),
            _whole("last_wall_minus_mono_ms", "ms", "epoch time less monotonic time at that reading", ""),
            _whole("last_clock", NO_UNIT, "0 wall clock set, 1 not set, at that reading", ""),
        ),
    ),
    Table(
        "device",
        "instruments by name",
        (_id("number of the device"), _text("name", "name in the settings", "UNIQUE")),
    ),
    Table(
        "series",
        "columns of raw counts: what a device reports at one place for one channel",
        (
            _id("number of the series"),
            _ref("device", "device", "device that reports it"),
            _text("bank", "bank it belongs to"),
            _text("channel", "channel it feeds"),
            _text("place", "where in the device it is read"),
            Column("resolution", "REAL NOT NULL", "unit of the series", "size of one count as recorded"),
            _text("unit", "unit in which the device reports"),
            _whole("first_wall_ms", EPOCH, "first reading in a sealed block", ""),
            _whole("last_wall_ms", EPOCH, "last reading in a sealed block", ""),
        ),
        ("UNIQUE (device, bank, channel, place, resolution)",),
    ),
    Table(
        "hot",
        "newest readings: one row for each commit and hour, moved to sealed when the hour is over",
        (
            _ref("session", "session", "session of the readings"),
            _whole("mono_ms", MONO, "first scan in the row"),
            _whole("last_mono_ms", MONO, "last scan in the row"),
            Column("payload", "BLOB NOT NULL", "raw counts", "all devices' columns, form in bundle.py, with CRC-32"),
        ),
        ("PRIMARY KEY (session, mono_ms)",),
        "STRICT, WITHOUT ROWID",
    ),
    Table(
        "sealed",
        "readings by session, hour and device, compressed",
        (
            _id("number of the block"),
            _ref("session", "session", "session of the readings"),
            _whole("window", "hours of the session's monotonic clock", "mono_ms divided by 3600000, rounded down"),
            _ref("device", "device", "device that was read"),
            _whole("first_mono_ms", MONO, "first scan in the block"),
            _whole("last_mono_ms", MONO, "last scan in the block"),
            _whole("first_wall_ms", EPOCH, "earliest scan; an unset clock is read as it was set later in the block"),
            _whole("last_wall_ms", EPOCH, "latest scan, likewise"),
            _whole("scans", "scans", "number of scans"),
            _whole("readings", "readings", "number of values, missing ones left out"),
            Column("payload", "BLOB NOT NULL", "raw counts", "columns, form in codec.py, with CRC-32"),
        ),
    ),
    Table(
        "summary",
        "minimum, maximum, mean and count of raw counts by minutes, quarter-hours and four hours",
        (
            _id("number of the row"),
            _whole("tier_seconds", "s", "length of a bucket: 60, 900 or 14400"),
            _ref("device", "device", "device that was read"),
            _ref("session", "session", "session of the readings"),
            _whole("span_ms", EPOCH, "beginning of the row's stretch: 6 h of minutes, a day of quarters, 30 of 4 h"),
            Column("payload", "BLOB NOT NULL", "raw counts", "columns by series, form in summaries.py, with CRC-32"),
        ),
        ("UNIQUE (device, tier_seconds, span_ms, session)",),
    ),
    Table(
        "revision",
        "ways of reading a bank's record; the newest of a bank is the current one",
        (
            _id("number of the revision"),
            _text("bank", "bank"),
            _text("fingerprint", "of the settings and rules that matter to the results"),
            _text("settings_json", "the settings themselves"),
            _text("reason", "why it was begun"),
            _whole("created_wall_ms", EPOCH, "when it was begun"),
            _whole("raw_from_ms", EPOCH, "first reading still there then; what is older stays as told before"),
        ),
    ),
    Table(
        "checkpoint",
        "state of a bank's analysis after the last scan it took in",
        (
            _text("bank", "bank"),
            _ref("revision", "revision", "revision of the bank"),
            _ref("session", "session", "session of the last scan taken in"),
            _whole("mono_ms", MONO, "last scan taken in"),
            Column("state", "BLOB NOT NULL", NO_UNIT, "state of the analysis, for the version that wrote it"),
            _whole("crc", NO_UNIT, "CRC-32 of position and state"),
        ),
        ("PRIMARY KEY (bank, revision)",),
    ),
    Table(
        "entry",
        "lines of the ledgers",
        (
            _id("number of the entry, in the order in which they were found"),
            _text("bank", "bank"),
            _ref("revision", "revision", "revision that found it"),
            _text("ledger", "phases, cycles, full_to_full or depth_bands"),
            _text("kind", "discharge, rest or charge for phases; else the ledger's own word"),
            _ref("start_session", "session", "session in which it began"),
            _whole("start_ms", EPOCH, "when it began"),
            _ref("end_session", "session", "session in which it ended"),
            _whole("end_ms", EPOCH, "when it ended"),
            _whole("complete", NO_UNIT, "1 when it is finished"),
        ),
    ),
    Table(
        "figure",
        "figures of the ledger entries",
        (
            _ref("entry", "entry", "entry it belongs to"),
            _whole("place", NO_UNIT, "order within the entry, from 0"),
            _text("name", "name of the figure, which ends in its unit where it has one"),
            Column("value", "REAL", "as its name says", "the figure; NULL where it cannot be told"),
            Column("low", "REAL", "as its name says", "lower end of the 95 % band"),
            Column("high", "REAL", "as its name says", "upper end of the 95 % band"),
            _text("reason", "why it cannot be told, or what to know about it"),
        ),
        ("PRIMARY KEY (entry, place)", "UNIQUE (entry, name)"),
        "STRICT, WITHOUT ROWID",
    ),
    Table(
        "mark",
        "stretches in which values of a channel are doubted; the values themselves are kept",
        (
            _id("number of the span"),
            _text("bank", "bank"),
            _ref("revision", "revision", "revision that found it"),
            _text("channel", "channel"),
            _whole("mark", "bit", "1 range, 2 spike, 4 stuck, 8 gap, 16 repeated time, 32 backward time, 64 clock"
                   " not set, 128 taps disagree, 256 counter reset, 512 unreadable"),
            _ref("start_session", "session", "session in which it began"),
            _whole("start_ms", EPOCH, "when it began"),
            _ref("end_session", "session", "session in which it ended"),
            _whole("end_ms", EPOCH, "when it ended"),
            _whole("readings", "readings", "number of marked values"),
        ),
    ),
    Table(
        "event",
        "what happened to the service, its clock and its instruments",
        (
            _id("number of the event"),
            _ref("session", "session", "session in which it happened"),
            _whole("mono_ms", MONO, "when it happened"),
            _whole("wall_ms", EPOCH, "when it happened, by the wall clock as it stood"),
            _text("kind", "short word"),
            _text("subject", "device, bank or part that it is about"),
            _text("text", "what happened"),
        ),
    ),
)  # fmt: skip

HOT_CHUNKS = Table(
    "hot",
    "newest readings: chunks by session and hour that commits write on, moved to sealed when the hour is over",
    (
        _id("number of the chunk; those of an hour rise with time"),
        _ref("session", "session", "session of the readings"),
        _whole("window", "hours of the session's monotonic clock", "mono_ms divided by 3600000, rounded down"),
        Column("payload", "BLOB NOT NULL", "raw counts", "commits one after another, form in hot.py and bundle.py"),
    ),
)
"""The table hot since schema version 2."""

FINDING = Table(
    "finding",
    "judged statements about a bank; the newest of a name and subject is what holds",
    (
        _id("number of the finding, in the order in which they were found"),
        _text("bank", "bank"),
        _ref("revision", "revision", "revision that found it"),
        _text("name", "which finding: topic.what"),
        _text("subject", "bank, string, block, link or channel that it speaks of"),
        _text("verdict", "what it says, in a word"),
        _text("grade", "tested, observed, inferred or cannot tell"),
        Column("value", "REAL", "as its name says", "the figure; NULL where there is none"),
        Column("low", "REAL", "as its name says", "lower end of the 95 % band"),
        Column("high", "REAL", "as its name says", "upper end of the 95 % band"),
        _text("reason", "why; of one that cannot tell, what is missing"),
        _ref("at_session", "session", "session in which it was told"),
        _whole("at_ms", EPOCH, "when it was told"),
        _whole("since_session", NO_UNIT, "session in which what it speaks of began", "REFERENCES session(id)"),
        _whole("since_ms", EPOCH, "when what it speaks of began, NULL where that is not known", ""),
        _text("basis", "JSON: evidence (spans of session and ms), details (name, value, low, high, reason)"),
        _text("quality", "good, fair, poor or unknown: of the readings it rests on"),
        _text("quality_reason", "why they are not good"),
    ),
)
"""The table finding since schema version 3."""

FINDING_INDEXES = (
    "CREATE INDEX finding_by_key ON finding (bank, revision, name, subject, id)",
    "CREATE INDEX finding_by_time ON finding (bank, revision, at_ms)",
)

LOG_ENTRY = Table(
    "log_entry",
    "log book: what people did and measured by hand; rows are never changed, a correction is a row of its own",
    (
        _id("number of the entry, in the order in which they were taken in"),
        _text("uid", "names the entry for ever", "UNIQUE"),
        _text("bank", "bank"),
        _text("kind", "kind of entry, as loggerd log lists them"),
        _whole("happened_wall_ms", EPOCH, "when it happened, by the keeper's word"),
        _ref("session", "session", "session in which it was taken in; findings know of it from there on"),
        _whole("mono_ms", MONO, "when it was taken in"),
        _whole("wall_ms", EPOCH, "when it was taken in, by the wall clock as it stood"),
        _text("who", "who told it"),
        _text("data", "JSON: values by name, in the units of the kind"),
        _text("text", "words"),
        Column("corrects", "TEXT", NO_UNIT, "uid of the entry that it takes the place of, NULL for none"),
    ),
)
"""The table log_entry since schema version 4."""

LOG_INDEXES = ("CREATE INDEX log_entry_by_bank ON log_entry (bank, happened_wall_ms)",)

ALARM = Table(
    "alarm",
    "alarms as they stand: those that are not normal, and normal ones of not long ago",
    (
        _text("bank", "bank; empty for the logger and its instruments"),
        _text("condition", "what is alarmed"),
        _text("subject", "bank, string, block, link, channel or device that it is about"),
        _text("state", "the standard's state, in words"),
        _whole("active", NO_UNIT, "1 while its condition holds, delays counted"),
        _text("body", "JSON: the whole alarm, with delays, shelf, evidence and the alarm it follows from"),
    ),
    ("PRIMARY KEY (bank, condition, subject)",),
    "STRICT, WITHOUT ROWID",
)
"""The tables alarm and alarm_change since schema version 5."""

ALARM_CHANGE = Table(
    "alarm_change",
    "every change of an alarm's state, with who and when; rows are never changed",
    (
        _id("number of the change, in the order in which they were stored"),
        _text("bank", "bank; empty for the logger and its instruments"),
        _text("condition", "what is alarmed"),
        _text("subject", "what it is about"),
        _ref("at_session", "session", "session in which it fell due"),
        _whole("at_ms", EPOCH, "when it fell due"),
        _text("event", "what moved it"),
        _text("before", "state before"),
        _text("after", "state after"),
        _text("who", "loggerd, or the keeper"),
        _text("why", "reason, in words"),
        _text("basis", "JSON: root (alarm that it follows from) and evidence (name, value, low, high, reason)"),
    ),
)

ALARM_INDEXES = ("CREATE INDEX alarm_change_by_time ON alarm_change (at_ms)",)

TABLES = (
    *(HOT_CHUNKS if table.name == "hot" else table for table in FIRST_TABLES),
    FINDING,
    LOG_ENTRY,
    ALARM,
    ALARM_CHANGE,
)

INDEXES = (
    "CREATE INDEX sealed_by_window ON sealed (session, window, device, last_mono_ms, first_wall_ms, last_wall_ms)",
    "CREATE INDEX sealed_by_wall ON sealed (device, first_wall_ms, last_wall_ms)",
    "CREATE INDEX summary_by_tier ON summary (tier_seconds, span_ms)",
    "CREATE INDEX entry_by_end ON entry (bank, ledger, revision, end_ms)",
    "CREATE INDEX mark_by_end ON mark (bank, revision, end_ms)",
    "CREATE INDEX event_by_wall ON event (wall_ms)",
    "CREATE INDEX revision_by_bank ON revision (bank)",
)


def notes(tables: Iterable[Table]) -> list[tuple[str, str, str, str]]:
    """Rows of schema_notes for these tables: table, column, unit, meaning."""
    rows = []
    for table in tables:
        rows.append((table.name, "", NO_UNIT, table.meaning))
        rows += [(table.name, column.name, column.unit, column.meaning) for column in table.columns]
    return rows
