"""Opening the file, transactions, and SQLite's errors in a keeper's words.

SQLite before 3.51.3 can lose committed pages when two connections write or checkpoint in the same instant, so one
connection writes and checkpoints and all others only read: `mode=ro` and no automatic checkpoint. Nothing else in
the process may open the file (closing any descriptor of it would drop SQLite's locks).
"""

from __future__ import annotations

import errno
import fcntl
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import quote

from loggerd.errors import StoreDamaged, StoreError, StoreFull, StoreHeld, StoreTooNew

APPLICATION_ID = 0x6C6F6764
"""Says in the file's header that it is a record of this program."""

WAL_PAGES = 3000
"""Pages in the write-ahead log before it is copied into the file: about 12 MB, an hour or more of a large site.

Pages of hot rows that are used again within that time reach the file once instead of each hour (240 channels: a
fifth fewer bytes to the card than with 1000 pages)."""

_DAMAGE_STEPS = (
    "Nothing has been changed. Next: stop the service, keep this file and the ones named -wal and -shm beside it"
    " together on another disk, then go on from the last nightly copy, or let salvage bring what is still whole into"
    " a new record."
)


def connect_writer(path: Path, synchronous: str) -> sqlite3.Connection:
    """The one connection that writes. `synchronous` is FULL except in tests that show why."""
    if synchronous not in ("FULL", "NORMAL", "OFF"):
        raise ValueError(synchronous)
    connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=5.0)
    try:
        connection.execute("PRAGMA page_size = 4096")
        connection.execute("PRAGMA mmap_size = 0")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute(f"PRAGMA synchronous = {synchronous}")
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA temp_store = MEMORY")
        # Some distributions build SQLite to overwrite what is deleted: half as many pages again at each sealing.
        connection.execute("PRAGMA secure_delete = OFF")
        connection.execute(f"PRAGMA wal_autocheckpoint = {WAL_PAGES}")
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def connect_reader(path: Path, *, query_only: bool = True) -> sqlite3.Connection:
    """A connection that cannot write or checkpoint. Raises StoreError when there is no such file.

    A record in a place where nothing can be created (a read-only disk) is opened as unchanging, if it was closed
    cleanly.
    """
    if not path.exists():
        raise StoreError(f"{path}: there is no record here; the service begins one when it starts")
    address = f"file:{quote(str(path.resolve()))}?mode=ro"
    try:
        connection = _connect_read_only(address)
    except sqlite3.OperationalError as error:
        log = beside(path, "-wal")
        if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_CANTOPEN or (log.exists() and log.stat().st_size):
            raise
        connection = _connect_read_only(address + "&immutable=1")
    if query_only:
        connection.execute("PRAGMA query_only = ON")
    return connection


def _connect_read_only(address: str) -> sqlite3.Connection:
    connection = sqlite3.connect(address, uri=True, isolation_level=None, check_same_thread=False, timeout=5.0)
    try:
        connection.execute("PRAGMA wal_autocheckpoint = 0")
        connection.execute("PRAGMA mmap_size = 0")
        connection.execute("PRAGMA user_version").fetchone()
    except sqlite3.Error:
        connection.close()
        raise
    return connection


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """One write transaction: everything inside is stored, or nothing."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        # SQLite has rolled back by itself after some errors (disk full).
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


@contextmanager
def snapshot(connection: sqlite3.Connection) -> Iterator[None]:
    """One short look at a single state of the record, while a service goes on writing."""
    connection.execute("BEGIN")
    try:
        yield
    finally:
        connection.execute("ROLLBACK")


@contextmanager
def told_plainly(path: Path) -> Iterator[None]:
    """Turns SQLite's errors into StoreError and its kinds."""
    try:
        yield
    except sqlite3.Error as error:
        raise plain_error(path, error) from error
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise _full(path) from error
        raise StoreError(f"{path}: {error.strerror or error}") from error


def plain_error(path: Path, error: sqlite3.Error) -> StoreError:
    """The StoreError that says what SQLite's error means to a keeper."""
    # Errors that Python's own module raises (wrong number of values, closed connection) carry no code.
    extended = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR)
    code = extended & 0xFF
    # The log's index file is the first to be made at opening, and says "I/O error" when there is no room for it.
    if code == sqlite3.SQLITE_FULL or extended == sqlite3.SQLITE_IOERR_SHMSIZE:
        return _full(path)
    if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        return damaged(path, str(error))
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return StoreError(f"{path}: another program holds the record; only one service may write it")
    if code in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM):
        return StoreError(f"{path}: cannot be opened for this ({error}); look at the owner of file and folder")
    if code == sqlite3.SQLITE_IOERR:
        return StoreError(
            f"{path}: the disk reported an error ({error}); the card or its connection may be failing."
            " Copy the record away and change the card."
        )
    return StoreError(f"{path}: {error}")


def damaged(path: Path, what: str) -> StoreDamaged:
    """The error for a damaged file, with what to do next."""
    return StoreDamaged(f"{path}: the record is damaged ({what}). {_DAMAGE_STEPS}")


def too_new(path: Path, found: int, known: int) -> StoreTooNew:
    """The error for a file that a newer version has written."""
    return StoreTooNew(
        f"{path}: the record has form {found}, this version knows forms up to {known}. It was left as it is."
        " Install the newer version again, or go on from a copy made before the change."
    )


def _full(path: Path) -> StoreFull:
    return StoreFull(f"{path}: no space is left for the record; free some on that disk. Nothing stored was lost.")


def beside(path: Path, ending: str) -> Path:
    """The file of that ending beside the record: -wal, -shm, .lock, .ballast."""
    return path.with_name(path.name + ending)


def sync_folder(folder: Path) -> None:
    """Makes new and changed names in a folder last through a power cut."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


class WriterLock:
    """Held while a process may write the record; a second one is refused."""

    def __init__(self, path: Path) -> None:
        self._descriptor = os.open(beside(path, ".lock"), os.O_RDWR | os.O_CREAT, 0o644)
        try:
            fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            os.close(self._descriptor)
            raise StoreHeld(
                f"{path}: another loggerd is writing this record; stop it first, or use the commands that only read"
            ) from error

    def release(self) -> None:
        """Lets the next writer in. A second call does nothing."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1
