"""RecordReader: a look at the record beside the service that writes it."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from loggerd.model.alarm import Alarm, AlarmEvent, AlarmKey
from loggerd.model.channels import parse_channel
from loggerd.model.ledger import LedgerName
from loggerd.model.outbox import Lane, OutboxLook, OutboxMail
from loggerd.model.scan import ScanBlock
from loggerd.store import alarms, care, entry_pages, findings, history, log_book, outbox, results, sessions
from loggerd.store.connection import beside, connect_reader, snapshot, told_plainly
from loggerd.store.newest import NewestRows
from loggerd.store.schema import check_current
from loggerd.store.shapes import (
    EntryPage,
    EntrySpan,
    EntryWish,
    FindingPoint,
    Health,
    Position,
    RecordEvent,
    Revision,
    ScanWindow,
    Session,
    StoredAlarmChange,
    StoredEntry,
    StoredFinding,
    StoredMark,
    StoredSeries,
    SummaryColumns,
    TakenIn,
)
from loggerd.store.stretches import hot_stretch, sealed_stretch
from loggerd.store.summary_reader import read_summaries
from loggerd.store.windows import read_windows

_BEFORE_ALL = -(2**63)
_AFTER_ALL = 2**63 - 1


class RecordReader:
    """Reads the record; cannot change it. Not for two threads at the same time.

    Every look is short, so that a slow consumer never keeps the writer's log from being reused. Times named
    `from_ms` and `until_ms` are epoch milliseconds, from included and until not; None means no limit.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._connection = connection

    @staticmethod
    def open(path: Path) -> RecordReader:
        """Opens an existing record. Raises StoreError when there is none or it is of an older form, StoreTooNew."""
        with told_plainly(path):
            connection = connect_reader(path)
            try:
                check_current(connection, path)
            except BaseException:
                connection.close()
                raise
        return RecordReader(path, connection)

    def close(self) -> None:
        self._connection.close()

    @contextmanager
    def one_state(self) -> Iterator[None]:
        """Entries, marks, revisions and checkpoint read inside are of one moment. To be left soon; not for windows."""
        with told_plainly(self.path), snapshot(self._connection):
            yield

    def changes(self) -> int:
        """Another number whenever another connection has stored something; to be compared on one reader only."""
        with told_plainly(self.path):
            return int(self._connection.execute("PRAGMA data_version").fetchone()[0])

    # -- readings --

    def windows(
        self, bank: str, after: Position | None, *, from_ms: int | None = None, until_ms: int | None = None
    ) -> Iterator[ScanWindow]:
        """The scans of a bank's devices after a position, hour by hour in fold order, decoded as they are taken.

        Only the bank's series are in the blocks. Stretches that fail their check sum are named in `damaged` and
        left out. Raises StoreError when the position is in a session that the record does not have.
        """
        with told_plainly(self.path):
            order = sessions.fold_order(self._connection)
            yield from read_windows(self._connection, bank, after, order, (from_ms, until_ms))

    def series(self) -> list[StoredSeries]:
        """All series, in the order in which they were registered."""
        with told_plainly(self.path):
            rows = self._connection.execute(
                "SELECT s.id, d.name, bank, channel, place, resolution, unit, first_wall_ms, last_wall_ms"
                " FROM series s JOIN device d ON d.id = s.device ORDER BY s.id"
            ).fetchall()
        return [StoredSeries(row[0], row[1], row[2], parse_channel(row[3]), *row[4:]) for row in rows]

    def sessions(self) -> list[Session]:
        """All sessions in fold order. Files still being read in are left out."""
        with told_plainly(self.path), snapshot(self._connection):
            return sessions.sessions(self._connection)

    def summaries(
        self, bank: str, tier_seconds: int, from_ms: int, until_ms: int, channels: Collection[str] | None = None
    ) -> Iterator[SummaryColumns]:
        """Summaries of sealed hours, in pieces of columns in order of time, of all channels or of those named.

        `tier_seconds`: 60, 900 or 14,400, the length of a bucket; a year of the last costs as much as some days of
        the others.
        """
        chosen = self._series_of(bank, channels)
        with told_plainly(self.path):
            yield from read_summaries(self._connection, chosen, tier_seconds, from_ms, until_ms)

    def readings(
        self, bank: str, from_ms: int, until_ms: int, channels: Collection[str] | None = None, *, hot_only: bool = False
    ) -> list[ScanBlock]:
        """Scans by wall time, in no order, of all channels or of those named. For a short stretch: all is in memory.

        `hot_only`: only those that are not sealed, and so not in the summaries. What is damaged is left out.
        """
        chosen = [one.id for one in self._series_of(bank, channels)]
        span = (from_ms, until_ms)
        with told_plainly(self.path), snapshot(self._connection):
            found = list(hot_stretch(self._connection, chosen, span))
            if not hot_only:
                found += sealed_stretch(self._connection, chosen, span)
        return found

    def _series_of(self, bank: str, channels: Collection[str] | None) -> list[StoredSeries]:
        return [one for one in self.series() if one.bank == bank and (channels is None or one.channel.name in channels)]

    # -- results --

    def revisions(self, bank: str) -> list[Revision]:
        """All revisions of a bank, the current one last."""
        with told_plainly(self.path):
            return results.revisions(self._connection, bank)

    def checkpoint(self, bank: str, revision: int) -> tuple[Position, bytes] | None:
        """Where the fold of a bank stood at its last commit, and its state. Raises StoreDamaged."""
        with told_plainly(self.path):
            return results.checkpoint(self._connection, bank, revision)

    def entries(
        self,
        bank: str,
        ledger: LedgerName,
        revision: int | None = None,
        from_ms: int | None = None,
        until_ms: int | None = None,
    ) -> Iterator[StoredEntry]:
        """Entries of a ledger that lie at least partly in the time asked for, in order.

        Without `revision`: those of the current one, after those of earlier ones that ended before the first
        reading that was left when their successor began.
        """
        span = (_BEFORE_ALL if from_ms is None else from_ms, _AFTER_ALL if until_ms is None else until_ms)
        with told_plainly(self.path):
            raw_from = sessions.raw_from_ms(self._connection, bank)
            shown = results.visible_until(results.revisions(self._connection, bank), revision)
            for one in shown:
                yield from results.entries(
                    self._connection, ledger, one, span, _AFTER_ALL if raw_from is None else raw_from
                )

    def newest_entries(self, wish: EntryWish, most: int, before: int | None = None) -> EntryPage:
        """As entries(), but the newest first and at most so many; `before`: those that ended before the one of that id.

        The cost does not depend on how many there are in all; of entries that are too small a page looks through some
        thousands and may come back with few.
        """
        with self.one_state():
            return entry_pages.newest_entries(self._connection, wish, most, before, self._raw_from_ms(wish.bank))

    def entry(self, bank: str, identity: int) -> StoredEntry | None:
        """The entry of that id, if entries() would show it."""
        with self.one_state():
            return entry_pages.entry(self._connection, bank, identity, self._raw_from_ms(bank))

    def entry_after(self, bank: str, ledger: LedgerName, identity: int) -> int | None:
        """Id of the entry of a ledger that ended next after the one of that id."""
        with self.one_state():
            return entry_pages.entry_after(self._connection, bank, ledger, identity)

    def entry_spans(self, wish: EntryWish, most: int) -> list[EntrySpan]:
        """The newest entries that lie at least partly in the time wished for, in order of time, without figures."""
        with self.one_state():
            return entry_pages.entry_spans(self._connection, wish, most)

    def figure_rows(
        self, bank: str, ledger: LedgerName, names: Sequence[str], from_ms: int, until_ms: int, most: int
    ) -> list[tuple[float | None, ...]]:
        """Values of some figures of the newest entries that ended in [from, until), by the current revision."""
        with self.one_state():
            return entry_pages.figure_rows(self._connection, bank, ledger, names, (from_ms, until_ms), most)

    def _raw_from_ms(self, bank: str) -> int:
        raw_from = sessions.raw_from_ms(self._connection, bank)
        return _AFTER_ALL if raw_from is None else raw_from

    def entries_after(self, identity: int, most: int) -> list[tuple[str, StoredEntry]]:
        """The next entries stored after the one with that id, at most so many, each with the name of its bank.

        Of all ledgers and revisions; the cost does not depend on how many there are before.
        """
        with told_plainly(self.path):
            return results.entries_after(self._connection, identity, most)

    def marks(
        self,
        bank: str,
        revision: int | None = None,
        from_ms: int | None = None,
        until_ms: int | None = None,
    ) -> Iterator[StoredMark]:
        """Spans of marks of one revision (the current one by default) in the time asked for, in order."""
        span = (_BEFORE_ALL if from_ms is None else from_ms, _AFTER_ALL if until_ms is None else until_ms)
        with told_plainly(self.path):
            chosen = self._revision_id(bank, revision)
            if chosen is not None:
                yield from results.marks(self._connection, bank, chosen, span)

    def findings(
        self, bank: str, revision: int | None = None, from_ms: int | None = None, until_ms: int | None = None
    ) -> Iterator[StoredFinding]:
        """Findings of one revision (the current one by default) told in the time asked for, in order."""
        span = (_BEFORE_ALL if from_ms is None else from_ms, _AFTER_ALL if until_ms is None else until_ms)
        with told_plainly(self.path):
            chosen = self._revision_id(bank, revision)
            if chosen is not None:
                yield from findings.findings(self._connection, bank, chosen, span)

    def newest_findings(self, bank: str, revision: int | None = None) -> list[StoredFinding]:
        """What holds by one revision (the current one by default): of each name and subject the newest finding."""
        with told_plainly(self.path):
            chosen = self._revision_id(bank, revision)
            return [] if chosen is None else findings.newest_findings(self._connection, bank, chosen)

    def findings_named(self, bank: str, name: str, from_ms: int, until_ms: int, most: int) -> list[FindingPoint]:
        """The newest findings of one name told in [from, until), in order of time, of all subjects."""
        with self.one_state():
            return history.told_between(self._connection, bank, name, (from_ms, until_ms), most)

    def finding_history(
        self, bank: str, key: tuple[str, str], edges: Sequence[int], detail: tuple[str, str] | None = None
    ) -> list[FindingPoint]:
        """Of one name and subject the last finding that was told between each two edges [epoch ms, rising].

        `detail`: names of two of its details, one to take the place of the value, one to be half the band's width.
        """
        with self.one_state():
            return history.history(self._connection, bank, key, edges, detail)

    def _revision_id(self, bank: str, revision: int | None) -> int | None:
        if revision is not None:
            return revision
        current = results.current_revision(self._connection, bank)
        return current.id if current is not None else None

    def log_entries(self, bank: str | None = None) -> list[TakenIn]:
        """The log book of a bank, or of all, in the order in which it was taken in."""
        with told_plainly(self.path):
            return log_book.log_entries(self._connection, bank)

    def log_between(self, bank: str, from_ms: int, until_ms: int, most: int) -> list[TakenIn]:
        """The newest entries about what happened in [from, until), in order of time, without corrected ones."""
        with told_plainly(self.path):
            return log_book.log_between(self._connection, bank, (from_ms, until_ms), most)

    def events(self, from_ms: int | None = None, until_ms: int | None = None) -> list[RecordEvent]:
        """Events whose wall time lies in the time asked for, in the order in which they were stored."""
        span = (_BEFORE_ALL if from_ms is None else from_ms, _AFTER_ALL if until_ms is None else until_ms)
        with told_plainly(self.path):
            return results.events(self._connection, span)

    # -- alarms and mail --

    def alarms(self) -> list[Alarm]:
        """All alarms as they stand."""
        with told_plainly(self.path):
            return alarms.alarms(self._connection)

    def alarm_changes(
        self, from_ms: int | None = None, until_ms: int | None = None, key: AlarmKey | None = None
    ) -> Iterator[StoredAlarmChange]:
        """Changes of alarms, or of one, that fell due in the time asked for, in the order of storing."""
        span = (_BEFORE_ALL if from_ms is None else from_ms, _AFTER_ALL if until_ms is None else until_ms)
        with told_plainly(self.path):
            yield from alarms.changes(self._connection, span, key)

    def last_alarm_change(self, key: AlarmKey, event: AlarmEvent) -> StoredAlarmChange | None:
        """The last change of an alarm by that event."""
        with told_plainly(self.path):
            return alarms.last_change(self._connection, key, event)

    def outbox(self, lane: Lane, since_ms: int) -> OutboxLook:
        """What waits in one lane of the outbox, and what left it since a time; of one moment."""
        with self.one_state():
            return outbox.look(self._connection, lane, since_ms)

    def last_mails(self, most: int) -> list[OutboxMail]:
        """The last mails that were composed, on their way or done, the newest first."""
        with told_plainly(self.path):
            return outbox.last_mails(self._connection, most)

    def mail_content(self, mail: int) -> bytes | None:
        """What is sent of a mail, byte for byte; None when its time is over."""
        with told_plainly(self.path):
            return outbox.content(self._connection, mail)

    @property
    def pages(self) -> NewestRows:
        """The newest rows first, of a time and a page at a time."""
        return NewestRows(self.path, self._connection)

    # -- care --

    def health(self) -> Health:
        """Sizes and counts, for a status page."""
        with told_plainly(self.path):
            ask = self._connection.execute
            counts = [ask(f"SELECT count(*) FROM {table}").fetchone()[0] for table in ("hot", "session")]
            # Counting the blocks one by one would take longer each year.
            first, newest = ask("SELECT (SELECT min(id) FROM sealed), (SELECT max(id) FROM sealed)").fetchone()
            log = beside(self.path, "-wal")
            last = ask("SELECT session FROM hot ORDER BY session DESC LIMIT 1").fetchone()
            stamp = sessions.last_hot_stamp(self._connection, last[0]) if last else None
            sealed_last = ask("SELECT max(last_wall_ms) FROM series").fetchone()[0]
            return Health(
                schema_version=ask("PRAGMA user_version").fetchone()[0],
                file_bytes=self.path.stat().st_size,
                wal_bytes=log.stat().st_size if log.exists() else 0,
                free_bytes_in_file=ask("PRAGMA freelist_count").fetchone()[0] * 4096,
                disk_free_bytes=care.free_bytes(self.path.parent),
                ballast_bytes=care.Ballast(self.path).size,
                hot_chunks=counts[0],
                sealed_blocks=0 if first is None else newest - first + 1,
                sessions=counts[1],
                last_reading_wall_ms=stamp[0] + stamp[1] if stamp else sealed_last,
            )
