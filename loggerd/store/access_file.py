"""The SQLite file beside the record that says who may look: made for its owner alone, opened anew for each use.

It is not the record, which has one writer: pages and commands write here at the same time, in short transactions with
a rollback journal. A connection lives as long as one use and stays in its thread.
"""

from __future__ import annotations

import errno
import os
import sqlite3
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from loggerd.errors import StoreDamaged, StoreError, StoreFull, StoreTooNew
from loggerd.store.access_tables import ACCESS_INDEXES, ACCESS_TABLES
from loggerd.store.connection import beside, sync_folder, transaction

ENDING = ".access"
_APPLICATION_ID = 0x6C6F6761
_VERSION = 1
_PATIENCE_SECONDS = 10.0
_OWNER_ONLY = 0o600


class AccessFile:
    """The file of one record. For any number of threads and processes."""

    def __init__(self, record: Path) -> None:
        self.path = beside(record, ENDING)

    def prepare(self) -> None:
        """Make the file and its tables if they are not there. Raises StoreError."""
        if not self.path.parent.is_dir():
            raise StoreError(f"{self.path.parent}: there is no such folder; the service makes it when it first runs")
        with self._told():
            make_private(self.path, b"")
            with self._connected() as connection, transaction(connection):
                self._check(connection)
                if connection.execute("PRAGMA user_version").fetchone()[0] == 0:
                    for statement in (*(table.ddl() for table in ACCESS_TABLES), *ACCESS_INDEXES):
                        connection.execute(statement)
                    connection.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
                    connection.execute(f"PRAGMA user_version = {_VERSION}")

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """For single statements that only read. Raises StoreError."""
        with self._told(), self._connected() as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction: everything inside is stored, or nothing. Raises StoreError."""
        with self._told(), self._connected() as connection, transaction(connection):
            yield connection

    @contextmanager
    def _connected(self) -> Iterator[sqlite3.Connection]:
        # Never made here: it would be one that others may read.
        place = f"{self.path.absolute().as_uri()}?mode=rw"
        connection = sqlite3.connect(place, isolation_level=None, timeout=_PATIENCE_SECONDS, uri=True)
        try:
            connection.execute("PRAGMA foreign_keys = ON")
            connection.execute("PRAGMA synchronous = FULL")
            # What is deleted (a hash, an address) is not left lying in the file.
            connection.execute("PRAGMA secure_delete = ON")
            yield connection
        finally:
            connection.close()

    def _check(self, connection: sqlite3.Connection) -> None:
        version = int(connection.execute("PRAGMA user_version").fetchone()[0])
        mark = int(connection.execute("PRAGMA application_id").fetchone()[0])
        if (version, mark) != (0, 0) and mark != _APPLICATION_ID:
            raise StoreError(f"{self.path}: this is not loggerd's file of who may look; move it away")
        if version > _VERSION:
            raise StoreTooNew(f"{self.path}: it was written by a newer loggerd; install that one again")

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise self._plain(error) from error
        except OSError as error:
            raise StoreError(f"{self.path}: {error.strerror or error}") from error

    def _plain(self, error: sqlite3.Error) -> StoreError:
        code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF
        if code == sqlite3.SQLITE_FULL:
            return StoreFull(f"{self.path}: no space is left on the disk; free some, then try again")
        if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            return StoreError(f"{self.path}: another program has held it for {_PATIENCE_SECONDS:g} s; try again")
        if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
            return StoreDamaged(
                f"{self.path}: it is damaged ({error}). Move it away and add people anew with loggerd access;"
                " the record is another file and has nothing to do with it."
            )
        if code in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM):
            return StoreError(f"{self.path}: cannot be opened for this ({error}); look at the owner of file and folder")
        return StoreError(f"{self.path}: {error}")


def make_private(path: Path, content: bytes) -> bool:
    """Make a file that only its owner, who is the owner of the folder, can read; returns whether it was made.

    One that is there keeps its content; rights of others are taken away. The file appears whole. A link is not
    followed: who may write into the folder must not lead root elsewhere. Raises OSError.
    """
    if os.path.lexists(path):
        about = path.lstat()
        if not stat.S_ISREG(about.st_mode):
            raise OSError(errno.ELOOP, "it is a link, or no plain file; move it away")
        if stat.S_IMODE(about.st_mode) & 0o077:
            path.chmod(_OWNER_ONLY)
        return False
    draft = path.with_name(f".{path.name}.{os.getpid()}.{os.urandom(4).hex()}")
    descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, _OWNER_ONLY)
    try:
        with os.fdopen(descriptor, "wb") as stream:
            if os.geteuid() == 0:
                owner = path.parent.stat()
                os.fchown(stream.fileno(), owner.st_uid, owner.st_gid)
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        os.link(draft, path)  # unlike a rename, never over one that another process has made meanwhile
    except FileExistsError:
        return False
    finally:
        draft.unlink()
    sync_folder(path.parent)
    return True
