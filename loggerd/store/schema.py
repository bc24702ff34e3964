"""Versions of the record and the way from each to the next."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from loggerd.errors import StoreError
from loggerd.store.connection import APPLICATION_ID, too_new, transaction
from loggerd.store.hot import HotCommit, HotWriter
from loggerd.store.outbox_tables import OUTBOX_INDEXES, OUTBOX_TABLES
from loggerd.store.shapes import HOUR_MS
from loggerd.store.summaries import FOUR_HOURS, QUARTERS, build_tier
from loggerd.store.tables import (
    ALARM,
    ALARM_CHANGE,
    ALARM_INDEXES,
    FINDING,
    FINDING_INDEXES,
    FIRST_TABLES,
    HOT_CHUNKS,
    INDEXES,
    LOG_ENTRY,
    LOG_INDEXES,
    notes,
)


@dataclass(frozen=True)
class Migration:
    """Takes a record from version `to_version - 1` to `to_version`, inside one transaction."""

    to_version: int
    run: Callable[[sqlite3.Connection], None]


def _create(connection: sqlite3.Connection) -> None:
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    for table in FIRST_TABLES:
        connection.execute(table.ddl())
    for index in INDEXES:
        connection.execute(index)
    connection.executemany("INSERT INTO schema_notes VALUES (?, ?, ?, ?)", notes(FIRST_TABLES))


def _hot_in_chunks(connection: sqlite3.Connection) -> None:
    """Readings not sealed yet move from a row for each commit to chunks that commits write on."""
    rows = connection.execute("SELECT session, mono_ms, last_mono_ms, payload FROM hot ORDER BY session, mono_ms")
    commits = [HotCommit(session, first // HOUR_MS, first, last, payload) for session, first, last, payload in rows]
    connection.execute("DROP TABLE hot")
    connection.execute(HOT_CHUNKS.ddl())
    HotWriter(connection).append(commits)
    connection.execute("DELETE FROM schema_notes WHERE table_name = 'hot'")
    connection.executemany("INSERT INTO schema_notes VALUES (?, ?, ?, ?)", notes([HOT_CHUNKS]))


def _findings(connection: sqlite3.Connection) -> None:
    """Findings get a table of their own."""
    connection.execute(FINDING.ddl())
    for index in FINDING_INDEXES:
        connection.execute(index)
    connection.executemany("INSERT INTO schema_notes VALUES (?, ?, ?, ?)", notes([FINDING]))


def _log_book(connection: sqlite3.Connection) -> None:
    """The keeper's log book gets a table of its own."""
    connection.execute(LOG_ENTRY.ddl())
    for index in LOG_INDEXES:
        connection.execute(index)
    connection.executemany("INSERT INTO schema_notes VALUES (?, ?, ?, ?)", notes([LOG_ENTRY]))


def _alarms(connection: sqlite3.Connection) -> None:
    """Alarms and their changes get tables of their own."""
    for table in (ALARM, ALARM_CHANGE):
        connection.execute(table.ddl())
    for index in ALARM_INDEXES:
        connection.execute(index)
    connection.executemany("INSERT INTO schema_notes VALUES (?, ?, ?, ?)", notes([ALARM, ALARM_CHANGE]))


def _outbox(connection: sqlite3.Connection) -> None:
    """What is to be told to whom, and the mails made of it, get tables of their own."""
    for table in OUTBOX_TABLES:
        connection.execute(table.ddl())
    for index in OUTBOX_INDEXES:
        connection.execute(index)
    connection.executemany("INSERT INTO schema_notes VALUES (?, ?, ?, ?)", notes(OUTBOX_TABLES))


def _four_hours(connection: sqlite3.Connection) -> None:
    """Summaries of four hours, for a look at years, made from the quarter-hours that are kept for ever."""
    summary = next(table for table in FIRST_TABLES if table.name == "summary")
    build_tier(connection, FOUR_HOURS, QUARTERS)
    connection.execute("DELETE FROM schema_notes WHERE table_name = 'summary'")
    connection.executemany("INSERT INTO schema_notes VALUES (?, ?, ?, ?)", notes([summary]))


MIGRATIONS: tuple[Migration, ...] = (
    Migration(1, _create),
    Migration(2, _hot_in_chunks),
    Migration(3, _findings),
    Migration(4, _log_book),
    Migration(5, _alarms),
    Migration(6, _outbox),
    Migration(7, _four_hours),
)
SCHEMA_VERSION = MIGRATIONS[-1].to_version


def version_of(connection: sqlite3.Connection) -> int:
    """Schema version of an open record; 0 for an empty file."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def check_ours(connection: sqlite3.Connection, path: Path, known: int = SCHEMA_VERSION) -> int:
    """The version of the file. Raises StoreTooNew, or StoreError when it is some other program's database."""
    version = version_of(connection)
    mark = connection.execute("PRAGMA application_id").fetchone()[0]
    empty = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0
    if mark != APPLICATION_ID and not (empty and version == 0 and mark == 0):
        raise StoreError(f"{path}: this is not a record of loggerd; name another file in the settings")
    if version > known:
        raise too_new(path, version, known)
    return version


def check_current(connection: sqlite3.Connection, path: Path) -> None:
    """As check_ours, and raises StoreError for a record of an older form, which only the writer can renew."""
    if check_ours(connection, path) < SCHEMA_VERSION:
        raise StoreError(f"{path}: the record is of an older form; start the service once to renew it")


def migrate(
    connection: sqlite3.Connection,
    migrations: Sequence[Migration] = MIGRATIONS,
    before_change: Callable[[int], None] = lambda version: None,
) -> int:
    """Brings the record to the newest version, each step in one transaction; returns how many steps were taken.

    `before_change` is called once, with the version found, before an existing record is changed.
    """
    found = version_of(connection)
    steps = [migration for migration in migrations if migration.to_version > found]
    if steps and found > 0:
        before_change(found)
    for step in steps:
        with transaction(connection):
            step.run(connection)
            connection.execute(f"PRAGMA user_version = {step.to_version}")
    return len(steps)
