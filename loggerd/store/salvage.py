"""Bringing what is still whole of a damaged record into a new one."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from pathlib import Path

from loggerd.errors import StoreDamaged, StoreError
from loggerd.store.connection import connect_reader, connect_writer, told_plainly, transaction
from loggerd.store.outbox_tables import ALL_TABLES
from loggerd.store.schema import SCHEMA_VERSION, check_ours, migrate
from loggerd.store.tables import Table

_ROWS_PER_TRANSACTION = 200
_KEYS = {
    "figure": ("entry", "place"),
    "checkpoint": ("bank", "revision"),
    "alarm": ("bank", "condition", "subject"),
}
"""Column order of the tables that are not numbered by `id`."""

_ORPHANS = (
    # Parents that were lost are stood in for where readings depend on them; what cannot be read without is dropped.
    "INSERT INTO session (id, kind, complete, began_wall_ms, began_mono_ms, began_clock, note, fold_after)"
    " SELECT DISTINCT session, 'live', 1, 0, 0, 1, 'lost; stood in for by salvage', 0 FROM"
    " (SELECT session FROM sealed UNION SELECT session FROM hot UNION SELECT session FROM summary"
    " UNION SELECT session FROM event UNION SELECT start_session FROM entry UNION SELECT end_session FROM entry"
    " UNION SELECT start_session FROM mark UNION SELECT end_session FROM mark UNION SELECT session FROM checkpoint"
    " UNION SELECT session FROM log_entry UNION SELECT at_session FROM alarm_change)"
    " WHERE session NOT IN (SELECT id FROM session)",
    "INSERT INTO device (id, name) SELECT DISTINCT device, 'lost device ' || device FROM"
    " (SELECT device FROM sealed UNION SELECT device FROM summary UNION SELECT device FROM series)"
    " WHERE device NOT IN (SELECT id FROM device)",
    "INSERT INTO revision (id, bank, fingerprint, settings_json, reason, created_wall_ms, raw_from_ms)"
    " SELECT DISTINCT revision, bank, '', '{}', 'lost; stood in for by salvage', 0, 0 FROM"
    " (SELECT revision, bank FROM entry UNION SELECT revision, bank FROM mark"
    " UNION SELECT revision, bank FROM checkpoint) WHERE revision NOT IN (SELECT id FROM revision)",
    "DELETE FROM figure WHERE entry NOT IN (SELECT id FROM entry)",
    # What was told in a mail that is lost is told again: twice is better than never.
    "UPDATE outbox_item SET mail = NULL WHERE mail NOT IN (SELECT id FROM outbox_mail)",
    "DELETE FROM outbox_item WHERE alarm_change NOT IN (SELECT id FROM alarm_change)",
)


@dataclass(frozen=True)
class SalvageReport:
    """Rows brought over by table, and the tables of which a part could not be read."""

    rows: dict[str, int]
    incomplete: tuple[str, ...]

    def __str__(self) -> str:
        saved = ", ".join(f"{table} {count}" for table, count in self.rows.items() if count)
        lost = ", ".join(self.incomplete) or "none"
        return f"rows saved: {saved or 'none'}; tables with a part that could not be read: {lost}"


def salvage(path: Path, out: Path) -> SalvageReport:
    """Copies every row that can be read from the damaged record at `path` into a new record at `out`.

    Each table is read from its beginning until the damage, then from its end back to it. Raises StoreError when
    `out` exists, StoreDamaged when not even the list of tables can be read.
    """
    if out.exists():
        raise StoreError(f"{out}: exists already; name a new file for what is saved")
    with told_plainly(path):
        source = connect_reader(path)
        try:
            version = check_ours(source, path)
        except sqlite3.DatabaseError as error:
            source.close()
            raise StoreDamaged(
                f"{path}: the list of its tables cannot be read ({error}), so nothing can be saved from it."
                " Go on from the last nightly copy, or with a new record."
            ) from error
    try:
        if version != SCHEMA_VERSION:
            raise StoreError(f"{path}: the record has form {version}, only form {SCHEMA_VERSION} can be salvaged")
        with told_plainly(out):
            return _copy_all(source, out)
    finally:
        source.close()


def _copy_all(source: sqlite3.Connection, out: Path) -> SalvageReport:
    target = connect_writer(out, "FULL")
    try:
        migrate(target)
        target.execute("PRAGMA foreign_keys = OFF")
        rows, incomplete = {}, []
        for table in ALL_TABLES:
            if table.name == "schema_notes":
                continue
            rows[table.name], whole = _copy_table(source, target, table)
            incomplete += [] if whole else [table.name]
        with transaction(target):
            for statement in _ORPHANS:
                target.execute(statement)
        return SalvageReport(rows, tuple(incomplete))
    finally:
        target.close()


def _copy_table(source: sqlite3.Connection, target: sqlite3.Connection, table: Table) -> tuple[int, bool]:
    before = target.execute(f"SELECT count(*) FROM {table.name}").fetchone()[0]
    whole = _copy_rows(source, target, table, "ASC")
    if not whole:
        _copy_rows(source, target, table, "DESC")
    after = target.execute(f"SELECT count(*) FROM {table.name}").fetchone()[0]
    return after - before, whole


def _copy_rows(source: sqlite3.Connection, target: sqlite3.Connection, table: Table, direction: str) -> bool:
    """Copies rows in one direction; returns whether the end was reached."""
    columns = [column.name for column in table.columns]
    keys = _KEYS.get(table.name, ("rowid",))
    order = ", ".join(f"{key} {direction}" for key in keys)
    insert = f"INSERT OR IGNORE INTO {table.name} ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"
    batch: list[tuple[object, ...]] = []
    reached = True
    try:
        cursor = source.execute(f"SELECT {', '.join(columns)} FROM {table.name} NOT INDEXED ORDER BY {order}")
        while (row := cursor.fetchone()) is not None:
            batch.append(row)
            if len(batch) == _ROWS_PER_TRANSACTION:
                _insert(target, insert, batch)
                batch = []
    except sqlite3.DatabaseError:
        reached = False  # this is the damage: what was read before it is kept, the report names the table
    _insert(target, insert, batch)
    return reached


def _insert(target: sqlite3.Connection, insert: str, batch: list[tuple[object, ...]]) -> None:
    if batch:
        with transaction(target):
            target.executemany(insert, batch)
