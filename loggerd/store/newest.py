"""The newest rows first, of a time and a page at a time: what a page costs does not go by how old the record is."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from pathlib import Path

from loggerd.store import alarms, findings, log_book, results
from loggerd.store.connection import told_plainly
from loggerd.store.shapes import StoredAlarmChange, StoredFinding, TakenIn

_FIRST_MS, _LAST_MS = -(2**63), 2**63 - 1


@dataclass(frozen=True)
class PageWish:
    """Which page: at most so many rows of [from, until), epoch milliseconds, that come after the row `before`.

    `before` is the id of the last row of the page before, None for the first page. After a row that is not there
    comes nothing.
    """

    most: int
    before: int | None = None
    from_ms: int | None = None
    until_ms: int | None = None

    @property
    def span(self) -> tuple[int, int]:
        """Both ends as numbers."""
        first = _FIRST_MS if self.from_ms is None else self.from_ms
        return first, _LAST_MS if self.until_ms is None else self.until_ms

    def after(self, table: str, time: str) -> tuple[str, tuple[int, ...]]:
        """The condition that a row comes after the last one of the page before, and what stands for its mark."""
        if self.before is None:
            return "", ()
        return f" AND ({time}, id) < (SELECT {time}, id FROM {table} WHERE id = ?)", (self.before,)


class NewestRows:
    """Pages of one record. All are in order of time, the newest first."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self._path = path
        self._connection = connection

    def findings(self, bank: str, wish: PageWish) -> list[StoredFinding]:
        """Findings of the current revision that were told in the time asked for."""
        after, place = wish.after("finding", "at_ms")
        with told_plainly(self._path):
            current = results.current_revision(self._connection, bank)
            if current is None:
                return []
            rows = self._connection.execute(
                f"SELECT id, {findings.COLUMNS} FROM finding WHERE bank = ? AND revision = ? AND at_ms >= ?"
                f" AND at_ms < ?{after} ORDER BY at_ms DESC, id DESC LIMIT ?",
                (bank, current.id, *wish.span, *place, wish.most),
            )
            return [StoredFinding(row[0], current.id, findings.finding_of(row[1:])) for row in rows]

    def alarm_changes(self, bank: str | None, wish: PageWish) -> list[StoredAlarmChange]:
        """Changes of alarms that fell due in the time asked for; of one bank, or of all and the logger."""
        after, place = wish.after("alarm_change", "at_ms")
        with told_plainly(self._path):
            rows = self._connection.execute(
                f"SELECT id, {alarms.change_columns('alarm_change')} FROM alarm_change WHERE at_ms >= ? AND at_ms < ?"
                f"{after} AND (? IS NULL OR bank = ?) ORDER BY at_ms DESC, id DESC LIMIT ?",
                (*wish.span, *place, bank, bank, wish.most),
            )
            return [StoredAlarmChange(row[0], alarms.change_of(row[1:])) for row in rows]

    def log(self, bank: str | None, wish: PageWish) -> list[TakenIn]:
        """Entries of the log book, of one bank or of all, that happened in the time asked for."""
        after, place = wish.after("log_entry", "happened_wall_ms")
        with told_plainly(self._path):
            return log_book.log_rows(
                self._connection,
                f"(? IS NULL OR bank = ?) AND happened_wall_ms >= ? AND happened_wall_ms < ?{after}"
                " ORDER BY happened_wall_ms DESC, id DESC LIMIT ?",
                (bank, bank, *wish.span, *place, wish.most),
            )

    def log_entry(self, uid: str) -> TakenIn | None:
        """The entry of the log book of that uid."""
        with told_plainly(self._path):
            return log_book.log_entry(self._connection, uid)

    def log_corrections(self) -> list[TakenIn]:
        """The entries of the log book that correct another, in the order in which they were taken in."""
        with told_plainly(self._path):
            return log_book.log_rows(self._connection, "corrects IS NOT NULL ORDER BY id", ())

    def scans(self, bank: str, from_ms: int | None, until_ms: int | None) -> tuple[int, int]:
        """How many scans and how many readings the sealed hours of a bank's devices have in [from, until), about."""
        with told_plainly(self._path):
            row = self._connection.execute(
                "SELECT coalesce(sum(scans), 0), coalesce(sum(readings), 0) FROM sealed WHERE device IN"
                " (SELECT DISTINCT device FROM series WHERE bank = ?) AND last_wall_ms >= ? AND first_wall_ms < ?",
                (bank, *PageWish(0, None, from_ms, until_ms).span),
            ).fetchone()
        return int(row[0]), int(row[1])
