"""A file for others to open: tables with the meaning of each column, filled row by row, never too large."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from pathlib import Path

from loggerd.errors import StoreFull
from loggerd.store.connection import told_plainly
from loggerd.store.tables import Column, Table, notes

_PAGE_BYTES = 4096
_CACHE_KILOBYTES = 4096
_NOTES = Table(
    "about",
    "what every table and column of this file means",
    (
        Column("table_name", "TEXT NOT NULL", "-", "table"),
        Column("column_name", "TEXT NOT NULL", "-", "column; empty for the table as a whole"),
        Column("unit", "TEXT NOT NULL", "-", "unit of the values, - where there is none"),
        Column("meaning", "TEXT NOT NULL", "-", "what it says"),
    ),
)


class ExportFile:
    """A new SQLite file. It is not safe against a power cut: who made it throws it away and makes it again."""

    def __init__(self, path: Path, most_bytes: int) -> None:
        """Raises StoreError. `most_bytes`: more than that is StoreFull."""
        self._path = path
        self._most_bytes = most_bytes
        with told_plainly(path):
            self._connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
            for pragma in (
                f"page_size = {_PAGE_BYTES}",
                f"max_page_count = {max(1, most_bytes // _PAGE_BYTES)}",
                "journal_mode = OFF",
                "synchronous = OFF",
                f"cache_size = -{_CACHE_KILOBYTES}",
            ):
                self._connection.execute(f"PRAGMA {pragma}").fetchall()

    def begin(self, tables: Sequence[Table]) -> None:
        """Make the tables, and one that says what they mean. Raises StoreError."""
        with told_plainly(self._path):
            self._connection.execute("BEGIN")
            for table in (*tables, _NOTES):
                self._connection.execute(table.ddl())
        self.add(_NOTES, notes(tables))

    def add(self, table: Table, rows: Iterable[Sequence[object]]) -> None:
        """Raises StoreError."""
        marks = ", ".join("?" * len(table.columns))
        try:
            with told_plainly(self._path):
                self._connection.executemany(f"INSERT INTO {table.name} VALUES ({marks})", rows)
        except StoreFull as error:
            raise StoreFull(too_large_words(self._most_bytes)) from error

    def finish(self) -> None:
        """All rows are in. Raises StoreError."""
        with told_plainly(self._path):
            self._connection.execute("COMMIT")
        self.close()

    def close(self) -> None:
        """A second call does nothing."""
        self._connection.close()


def too_large_words(most_bytes: int) -> str:
    """What is said of a file that would have more bytes than there may be."""
    return (
        f"the file would be larger than {most_bytes // 1_000_000} MB, which is half of what is free on the logger's"
        " disk; ask for a shorter time, or for CSV, which needs no room there"
    )
