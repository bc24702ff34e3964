"""Looking after the file: integrity, copies, a damaged record set aside, and a reserve of disk space."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

from loggerd.errors import StoreError
from loggerd.store.connection import beside, connect_reader, damaged, sync_folder, told_plainly
from loggerd.store.outbox_tables import ALL_TABLES

BALLAST_BYTES = 4_000_000
_CHECK_WHOLE_BYTES = 32_000_000
# The bulk of a large file, whose blocks carry check sums of their own: left to the nightly check of the copy.
_BULK_TABLES = ("sealed", "summary")


def check_at_opening(connection: sqlite3.Connection, path: Path) -> None:
    """Quick check at a cost that does not grow with the age of the record. Raises StoreDamaged."""
    pages = int(connection.execute("PRAGMA page_count").fetchone()[0])
    if pages * 4096 <= _CHECK_WHOLE_BYTES:
        check_whole(connection, path)
        return
    for table in ALL_TABLES:
        if table.name not in _BULK_TABLES:
            _expect_ok(connection, path, f"PRAGMA quick_check('{table.name}')")


def check_whole(connection: sqlite3.Connection, path: Path) -> None:
    """Quick check of every page. Raises StoreDamaged."""
    _expect_ok(connection, path, "PRAGMA quick_check(1)")


def _expect_ok(connection: sqlite3.Connection, path: Path, pragma: str) -> None:
    found = str(connection.execute(pragma).fetchone()[0])
    if found != "ok":
        raise damaged(path, found.replace("\n", " "))


def backup(path: Path, target: Path) -> None:
    """Writes a checked copy of the record to `target`, which is replaced only when the new copy is good.

    Uses a reading connection of its own, so it may run beside a service that goes on writing. Raises StoreFull,
    StoreDamaged or StoreError; the old copy is then still there.
    """
    unfinished = target.with_name(target.name + ".unfinished")
    try:
        with told_plainly(target):
            unfinished.unlink(missing_ok=True)
        with told_plainly(path):
            _copy(path, unfinished)
            _sync_file(unfinished)
        with told_plainly(target):
            unfinished.replace(target)
            sync_folder(target.parent)
    finally:
        unfinished.unlink(missing_ok=True)


def _copy(path: Path, unfinished: Path) -> None:
    # VACUUM INTO needs one read transaction; the stepwise copying call starts again at each commit beside it.
    source = connect_reader(path, query_only=False)
    try:
        source.execute("VACUUM INTO ?", (str(unfinished),))
    finally:
        source.close()
    copy = sqlite3.connect(unfinished, isolation_level=None)
    try:
        check_whole(copy, unfinished)
    finally:
        copy.close()


def _sync_file(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def set_aside(path: Path, ending: str) -> Path:
    """Renames a damaged record and its log to names with `.damaged-<ending>`; returns the new name.

    Nothing is deleted. The log goes first: a log left beside a new, empty record would be played into it.
    Raises StoreError when the new name is taken.
    """
    aside = beside(path, f".damaged-{ending}")
    with told_plainly(path):
        for part in ("-wal", "-shm", "-journal", ""):
            old, new = beside(path, part), beside(aside, part)
            if new.exists():
                raise StoreError(f"{new}: this name is taken; nothing was renamed onto it")
            if old.exists():
                old.rename(new)
        sync_folder(path.parent)
    return aside


class Ballast:
    """A file that holds disk space in reserve, so that there is room for ledger and deletions when it runs out."""

    def __init__(self, record: Path) -> None:
        self._path = beside(record, ".ballast")

    @property
    def size(self) -> int:
        return self._path.stat().st_size if self._path.exists() else 0

    def build(self) -> bool:
        """Reserves the space if there is plenty; returns whether it is reserved."""
        if self.size == BALLAST_BYTES:
            return True
        if free_bytes(self._path.parent) < 4 * BALLAST_BYTES:
            return False
        descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o644)
        try:
            os.posix_fallocate(descriptor, 0, BALLAST_BYTES)
        finally:
            os.close(descriptor)
        return True

    def release(self) -> bool:
        """Gives the space back; returns whether there was any."""
        held = self.size > 0
        self._path.unlink(missing_ok=True)
        return held


def free_bytes(folder: Path) -> int:
    """Space on the disk that this process may use."""
    found = os.statvfs(folder)
    return found.f_bavail * found.f_frsize
