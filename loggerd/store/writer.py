"""RecordWriter: everything that changes the record goes through here."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from loggerd.errors import StoreError, StoreFull
from loggerd.model.bank import Series
from loggerd.model.outbox import OutboxUpdate
from loggerd.model.scan import ClockState, ScanBlock
from loggerd.store import alarms, care, log_book, outbox, results, sessions
from loggerd.store.connection import (
    WAL_PAGES,
    WriterLock,
    beside,
    connect_reader,
    connect_writer,
    told_plainly,
    transaction,
)
from loggerd.store.hot import hot_sessions, hot_windows
from loggerd.store.importing import import_session, remove_session, remove_unfinished
from loggerd.store.readings import ReadingsWriter
from loggerd.store.retention import DAY_MS, retain_minutes, retain_raw
from loggerd.store.schema import MIGRATIONS, Migration, check_ours, migrate
from loggerd.store.shapes import HOUR_MS, Commit, RecordEvent, Retained, Revision, Session, SessionKind, TakenIn

_SWOLLEN_WAL_BYTES = 2 * WAL_PAGES * 4096


class RecordWriter:
    """The one writer of a record. Not for two threads at the same time.

    After an error of the disk itself (not: disk full) what became of the last commit is only known by reading the
    file again: every further call then raises StoreError until the record is closed and opened anew, and
    `last_mono_ms` says what is stored.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection, lock: WriterLock, ballast: care.Ballast) -> None:
        self.path = path
        self._connection = connection
        self._lock = lock
        self._ballast = ballast
        self._readings = ReadingsWriter(connection)
        self._broken: str | None = None

    @staticmethod
    def open(path: Path, *, synchronous: str = "FULL", migrations: Sequence[Migration] = MIGRATIONS) -> RecordWriter:
        """Opens the record, or begins one; brings an older one to this version after copying it.

        Raises StoreTooNew (the file is left as it is), StoreDamaged, StoreFull, and StoreError when it is not a
        record or another process is writing it.
        """
        with told_plainly(path):
            path.parent.mkdir(parents=True, exist_ok=True)
            lock = WriterLock(path)
        ballast = care.Ballast(path)
        try:
            try:
                connection = _open_connection(path, synchronous, migrations)
            except StoreFull:
                if not ballast.release():
                    raise
                connection = _open_connection(path, synchronous, migrations)
            return RecordWriter(path, connection, lock, ballast)
        except BaseException:
            lock.release()
            raise

    @contextmanager
    def _writing(self) -> Iterator[None]:
        if self._broken is not None:
            raise StoreError(f"{self._broken} The record has to be opened anew.")
        try:
            with told_plainly(self.path):
                yield
        except StoreFull:
            self._ballast.release()
            raise
        except StoreError as error:
            cause = error.__cause__
            if getattr(cause, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_IOERR:
                self._broken = str(error)
            raise

    # -- names and order --

    def begin_session(
        self, kind: SessionKind, wall_ms: int, mono_ms: int, note: str, clock: ClockState = ClockState.SET
    ) -> int:
        """Begins a run of the monotonic clock, or the reading in of a file, and returns its number.

        An import is shown only after import_blocks has finished.
        """
        with self._writing(), transaction(self._connection):
            return sessions.begin(self._connection, kind, wall_ms, mono_ms, note, clock)

    def register_series(self, series: Sequence[Series]) -> tuple[int, ...]:
        """Ids of the series, the same for ever for the same Series.key."""
        try:
            with self._writing(), transaction(self._connection):
                return tuple(self._readings.register(one) for one in series)
        except BaseException:
            self._readings.reload()
            raise

    def set_revision(
        self,
        bank: str,
        fingerprint: str,
        settings_json: str,
        reason: str,
        created_wall_ms: int,
        *,
        anew: bool = False,
    ) -> int:
        """The current revision of the bank if it has this fingerprint (and `anew` is not asked for), else a new one.

        Older ones stay.
        """
        with self._writing(), transaction(self._connection):
            current = results.current_revision(self._connection, bank)
            if current is not None and current.fingerprint == fingerprint and not anew:
                return current.id
            first = sessions.raw_from_ms(self._connection, bank)
            raw_from_ms = created_wall_ms if first is None else first
            return results.begin_revision(
                self._connection,
                Revision(0, bank, fingerprint, settings_json, reason, created_wall_ms, raw_from_ms),
            )

    def last_mono_ms(self, session: int) -> int | None:
        """Time of the last scan of a session that is stored, None when there is none."""
        with told_plainly(self.path):
            return sessions.last_mono_ms(self._connection, session)

    def last_session(self) -> Session | None:
        """The last session in fold order, None in a record without any."""
        with told_plainly(self.path):
            every = sessions.sessions(self._connection)
        return every[-1] if every else None

    def log_entry(self, uid: str) -> TakenIn | None:
        """The entry of the log book of that uid, None when it is not stored."""
        with told_plainly(self.path):
            return log_book.log_entry(self._connection, uid)

    def last_log_mono_ms(self, session: int) -> int | None:
        """When the last entry of the log book was taken in during a session, None when there is none."""
        with told_plainly(self.path):
            return log_book.last_mono_ms(self._connection, session)

    # -- readings and results --

    def commit(self, commit: Commit) -> None:
        """Stores all of it in one transaction that lasts through a power cut.

        Raises StoreFull or StoreError, and then nothing of it is stored (see the class for errors of the disk).
        Raises ValueError for blocks that do not fit what was registered.
        """
        self._readings.check(commit.readings)
        hot = self._readings.hot_commits(commit.readings)
        with self._writing(), self._placing(), transaction(self._connection):
            self._readings.hot.append(hot)
            for found in commit.results:
                results.write_results(self._connection, found)
            results.write_events(self._connection, commit.events)
            log_book.write_log(self._connection, commit.log)
            changes = alarms.write_alarms(self._connection, commit.alarms)
            outbox.write_items(self._connection, commit.outbox, changes)

    def update_outbox(self, update: OutboxUpdate) -> tuple[int, ...]:
        """Stores changes of the outbox in one transaction that lasts through a power cut; numbers of new mails.

        Raises StoreFull or StoreError, and then nothing of it is stored.
        """
        with self._writing(), transaction(self._connection):
            return outbox.update(self._connection, update)

    @contextmanager
    def _placing(self) -> Iterator[None]:
        """Forgets where the last commit ends when it was undone."""
        try:
            yield
        except BaseException:
            self._readings.hot.forget_place()
            raise

    def seal(self, session: int, before_mono_ms: int) -> int:
        """Moves hours of a session that end at or before the given time to compressed blocks and summaries.

        One transaction for each hour; returns the number of hours. Hot readings that fail their check sum are left
        out and an event of kind "damaged" says so.
        """
        with told_plainly(self.path):
            windows = hot_windows(self._connection, session)
        windows = [window for window in windows if window < before_mono_ms // HOUR_MS]
        for window in windows:
            with self._writing(), self._placing(), transaction(self._connection):
                for text in self._readings.seal_window(session, window):
                    wall_ms = sessions.last_wall_ms(self._connection, session)
                    event = RecordEvent(session, before_mono_ms, wall_ms, "damaged", "record", text)
                    results.write_events(self._connection, [event])
        return len(windows)

    def seal_ended(self, current_session: int) -> int:
        """Seals what earlier sessions left hot, their last, unfinished hour included; returns the number of hours."""
        with told_plainly(self.path):
            left = [session for session in hot_sessions(self._connection) if session != current_session]
            ends = [max(hot_windows(self._connection, session)) + 1 for session in left]
        return sum(self.seal(session, end * HOUR_MS) for session, end in zip(left, ends, strict=True))

    def import_blocks(self, session: int, blocks: Iterable[ScanBlock]) -> int:
        """Stores past readings as sealed hours of an import session; returns the number of scans.

        Shown only when all are in. On any failure the session is removed and the error raised: StoreError with
        both ranges when readings of the same bank are already there for the same time.
        """
        with told_plainly(self.path):
            row = self._connection.execute(
                "SELECT 1 FROM session WHERE id = ? AND kind = 'import' AND complete = 0", (session,)
            ).fetchone()
        if row is None:
            raise ValueError(f"session {session} is not an import that waits for its readings")
        try:
            with self._writing():
                return import_session(self._connection, self._readings, session, blocks)
        except BaseException:
            with told_plainly(self.path):
                remove_session(self._connection, session)
            raise

    # -- care --

    def retain(self, now_wall_ms: int, raw_days: int, minute_days: int) -> Retained:
        """Deletes raw readings, minute summaries and mails that are older than their time, a little at a time.

        Raw readings that the current revision of their bank has not folded stay. To be called only while the wall
        clock is known to be set.
        """
        with self._writing():
            raw = retain_raw(self._connection, now_wall_ms - raw_days * DAY_MS)
            minutes = retain_minutes(self._connection, now_wall_ms - minute_days * DAY_MS)
            outbox.retain_outbox(self._connection, now_wall_ms)
            self._ballast.build()
        return Retained(raw.blocks, raw.readings, minutes)

    def grow_wal(self) -> None:
        """Gives the log its full size at once, so that later commits overwrite it instead of lengthening it.

        Lengthening a file costs the file system a journal entry at each commit. A transaction larger than the
        page cache spills into the log and is then undone: the log keeps the size, the record is as before.
        """
        log = beside(self.path, "-wal")
        if log.exists() and log.stat().st_size >= WAL_PAGES * 4096:
            return
        with self._writing():
            pages = self._connection.execute("PRAGMA cache_size").fetchone()[0]
            self._connection.execute("PRAGMA cache_size = 20")
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                # Rows of one page each: a single large value would go through memory and log several times over.
                self._connection.execute(
                    "WITH RECURSIVE page(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM page WHERE n < ?)"
                    " INSERT INTO schema_notes SELECT '', 'room ' || n, '', hex(zeroblob(1900)) FROM page",
                    (WAL_PAGES,),
                )
            finally:
                # SQLite has undone it by itself when the disk is full.
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                self._connection.execute(f"PRAGMA cache_size = {pages}")

    def checkpoint_wal(self) -> None:
        """Copies the log into the file. Cuts it back only when a reader had let it swell."""
        with self._writing():
            swollen = beside(self.path, "-wal").stat().st_size > _SWOLLEN_WAL_BYTES
            self._connection.execute(f"PRAGMA wal_checkpoint({'TRUNCATE' if swollen else 'PASSIVE'})").fetchall()

    def check_whole(self) -> None:
        """Quick check of every page of the file, which takes long on a large one. Raises StoreDamaged."""
        with told_plainly(self.path):
            care.check_whole(self._connection, self.path)

    def backup(self, target: Path) -> None:
        """A checked copy at `target`; see care.backup. May be called from another thread while this one writes."""
        care.backup(self.path, target)

    def close(self) -> None:
        """Checkpoints and closes; the record can then be copied as one file."""
        try:
            with told_plainly(self.path):
                self._connection.close()
        finally:
            self._lock.release()


def _refuse_foreign(path: Path, known: int) -> None:
    """Looks at an existing file without being able to change it."""
    if not path.exists() or path.stat().st_size == 0 or beside(path, "-journal").exists():
        # A rollback journal is left only by a cut in the first moments of a new record; who only reads cannot undo it.
        return
    connection = connect_reader(path)
    try:
        check_ours(connection, path, known)
    finally:
        connection.close()


def _open_connection(path: Path, synchronous: str, migrations: Sequence[Migration]) -> sqlite3.Connection:
    with told_plainly(path):
        _refuse_foreign(path, migrations[-1].to_version)
        connection = connect_writer(path, synchronous)
        try:
            check_ours(connection, path, migrations[-1].to_version)
            care.check_at_opening(connection, path)
            migrate(connection, migrations, lambda found: care.backup(path, beside(path, f".form-{found}")))
            remove_unfinished(connection)
            care.Ballast(path).build()
        except BaseException:
            connection.close()
            raise
    return connection
