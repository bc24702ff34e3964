"""The record as the service uses it: a session with its recorder, commits, ledgers in step, and what to do on faults.

Everything but `scan`, `device_event`, `alive`, `status` and `not_stored` is called from the one thread that writes.
While the record takes nothing (disk full, failing or gone), readings wait in memory and it is tried again now and then;
the ledgers are then taken up from the record, so that they always tell of exactly the readings in it.
"""

from __future__ import annotations

import contextlib
import logging
import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import ClassVar

from loggerd.alarming import Alarming
from loggerd.alarms.catalogue import AlarmCondition
from loggerd.alarms.conditions import ALARM_CONDITIONS
from loggerd.alarms.from_health import LoggerHealth
from loggerd.clock import Clock
from loggerd.delivering import MailHealth
from loggerd.errors import StoreDamaged, StoreError, StoreFull
from loggerd.folding import Follower
from loggerd.inbox import Inbox
from loggerd.mailing import receivers_of
from loggerd.model.alarm import AlarmResults, both
from loggerd.model.outbox import OutboxUpdate
from loggerd.model.scan import ClockState, Scan, ScanBlock
from loggerd.outputs.ledger_json import utc_text
from loggerd.outputs.notify import items_of
from loggerd.plans import service_note
from loggerd.recorder import Recorder
from loggerd.settings.domain import series_of
from loggerd.settings.site import SiteSettings
from loggerd.sources.base import DeviceEvent
from loggerd.store.record import HOUR_MS, BankResults, Commit, RecordEvent, RecordReader, RecordWriter, set_aside
from loggerd.taking_in import Intake, take_in
from loggerd.waiting import NotStored, Waiting

_log = logging.getLogger("loggerd")

RETRY_SECONDS = 10.0
"""How often a record that takes nothing is tried again."""
PATIENCE_SECONDS = 60.0
"""Without a turn of the writing thread for so long (or three commits, if longer), it counts as hung."""
_WINDOWS_A_TURN = 48


class Recording:
    """An open session of a site's record."""

    _conditions: ClassVar[Mapping[str, AlarmCondition]] = {one.name: one for one in ALARM_CONDITIONS}

    def __init__(
        self,
        settings: SiteSettings,
        path: Path,
        clock: Clock,
        announce: Callable[[str], None] | None,
        writer: RecordWriter,
    ) -> None:
        self._settings = settings
        self._path = path
        self._clock = clock
        self._announce = announce
        self.writer = writer
        self._lock = threading.Lock()
        self._waiting = Waiting()
        self._fault: str | None = None
        self._fault_began_ms = 0
        self._must_reopen = False
        self._tried = 0.0
        self._last_turn = time.monotonic()
        self._tidied = False
        self._inbox = Inbox(path)
        self._damage = ""
        self._receivers = receivers_of(settings)
        self.mail_health: Callable[[], MailHealth] = MailHealth
        """How delivery does; set by whoever runs it."""
        self.told: Callable[[], None] = lambda: None
        """Called when something new is in the outbox."""
        self._begin_session()

    @staticmethod
    def open(settings: SiteSettings, path: Path, clock: Clock, announce: Callable[[str], None] | None) -> Recording:
        """Open the record and begin a session. Raises StoreError.

        A damaged record is set aside, whole as it is, and a new one begun: today's readings do not wait for that.
        """
        aside: Path | None = None
        try:
            writer = RecordWriter.open(path)
        except StoreDamaged as error:
            aside = set_aside(path, utc_text(clock.wall_ms()).replace(":", ""))
            _log.error("%s\nThe damaged record is kept as %s; a new one is begun.", error, aside)
            writer = RecordWriter.open(path)
        try:
            recording = Recording(settings, path, clock, announce, writer)
        except BaseException:
            writer.close()
            raise
        if aside is not None:
            recording._damage = f"the damaged record was set aside as {aside.name}"
            recording.note("record_damaged", f"the damaged record was set aside as {aside.name}; see loggerd salvage")
        return recording

    def _begin_session(self) -> None:
        clock = self._clock
        mono, wall = clock.mono_ms(), clock.wall_ms()
        self.session = self.writer.begin_session("live", wall, mono, service_note(self._settings), clock.state())
        self._began = (self.session, mono, wall)
        rows = {device: self.writer.register_series(series) for device, series in series_of(self._settings).items()}
        self._recorder = Recorder(clock, self.session, rows)
        self._recorder.note("started", "service", "the service began to read")
        self._sealed_until = mono // HOUR_MS * HOUR_MS
        self.follower = Follower(self._settings, self._path, self.writer, wall, "service started")
        self._alarming = Alarming.open(self._settings, self._path)

    def note(self, kind: str, text: str) -> None:
        """Keep an event of the record itself."""
        with self._lock:
            self._recorder.note(kind, "record", text)

    # -- from the event loop --

    def scan(self, scan: Scan) -> None:
        with self._lock:
            self._recorder.scan(scan)

    def device_event(self, event: DeviceEvent) -> None:
        with self._lock:
            self._recorder.event(event)

    def alive(self) -> bool:
        """Whether the writing thread gets its work done, be it that the record takes nothing and it tries again."""
        patience = max(PATIENCE_SECONDS, 3 * self._settings.record.commit_seconds)
        return time.monotonic() - self._last_turn < patience

    def status(self) -> str:
        if (fault := self._fault) is not None:
            return f"the record takes nothing: {fault}"
        return f"{self._recorder.scans} scans read"

    def not_stored(self) -> NotStored | None:
        """Since when the record takes nothing, None while it does. From any thread."""
        fault, began_ms = self._fault, self._fault_began_ms
        return None if fault is None else NotStored(began_ms, fault)

    def clock_is_set(self) -> bool:
        return self._clock.state() is ClockState.SET

    def wall_ms(self) -> int:
        return self._clock.wall_ms()

    # -- from the writing thread --

    @property
    def behind(self) -> bool:
        return self._fault is None and any(bank.behind for bank in self.follower.banks)

    def catch_up_some(self) -> None:
        """Fold a little of what the ledgers are behind."""
        try:
            behind = {bank.name for bank in self.follower.banks if bank.behind}
            self.follower.catch_up(windows=_WINDOWS_A_TURN)
            behind -= {bank.name for bank in self.follower.banks if bank.behind}
            if behind:
                self._alarming = Alarming.open(self._settings, self._path)
        except StoreError as error:
            self._failed(error)

    def commit(self) -> None:
        """Store what has been read, with what it makes of the ledgers, in one transaction.

        Never raises for what the disk does: the readings are kept, and tried again later.
        """
        with self._lock:
            readings, events = self._recorder.take()
        self._waiting.add(readings, events)
        if self._fault is None or time.monotonic() - self._tried >= RETRY_SECONDS:
            self._try_to_store()
        self._waiting.give_up_oldest()
        self._last_turn = time.monotonic()

    def _try_to_store(self) -> None:
        try:
            if self._fault is not None:
                self._take_up_again()
            self._store()
            self._seal()
        except StoreError as error:
            self._failed(error)

    def _store(self) -> None:
        waiting = self._waiting
        results: tuple[BankResults, ...] = ()
        with self._lock:
            now, silent_ms = self._recorder.instant(), self._recorder.silent_ms()
        intake = take_in(self._inbox, self._settings, self.writer, (self.session, *now))
        self.follower.enter(intake.log)
        if waiting.readings:
            results = self.follower.follow(self.session, waiting.readings, waiting.until_mono_ms)
        events = (*waiting.events, *self._events_of_fault())
        alarms = self._look_at_alarms(results, intake, silent_ms)
        items = tuple(items_of(alarms, self._conditions, self._receivers, intake.wall_ms))
        self.writer.commit(Commit(tuple(waiting.readings), results, events, tuple(intake.log), alarms, items))
        if items:
            self.told()
        self.follower.stored(results)
        for request, why in intake.not_done(alarms.refused):
            self._inbox.refuse(request.path, why)
        self._inbox.done(intake.requests)
        self._waiting = Waiting()
        if self._fault is not None:
            _log.warning("%s: the record takes readings again", self._path)
            self._fault = None
        if self._announce is not None:
            for block in waiting.readings:
                self._announce(f"stored {self.session} {block.device} {_times(block)}")

    def update_outbox(self, update: OutboxUpdate) -> None:
        """Store what delivery has come to. Raises StoreError."""
        self.writer.update_outbox(update)

    def _look_at_alarms(
        self, results: tuple[BankResults, ...], intake: Intake, silent_ms: Mapping[str, int]
    ) -> AlarmResults:
        """How the alarms stand by what this commit stores, and what keepers have asked of them."""
        now = self.follower.instant(self.session, intake.mono_ms)
        self._alarming.take(results, intake.log)
        behind = [bank.name for bank in self.follower.banks if bank.behind]
        unset = "" if self.clock_is_set() else "the clock has not been set since the board was started"
        mail = self.mail_health()
        health = LoggerHealth(
            record_damage=self._damage,
            clock_unset=unset,
            mail_waiting_ms=mail.waiting_ms,
            mail_refused=mail.refused,
        )
        looked = self._alarming.look(now, intake.wall_ms, silent_ms, behind, health)
        acted = self._alarming.act(now, intake.wall_ms, intake.actions)
        for action, why in acted.refused:
            _log.warning("%s of %s by %s is refused: %s", action.event.value, action.key, action.who, why)
        return both(looked, acted)

    def _events_of_fault(self) -> list[RecordEvent]:
        """What is to be told once the record takes something again."""
        events = []
        for device, lost in self._waiting.lost.items():
            events.append(self._event("readings_lost", device, lost.text()))
        if self._waiting.lost_events:
            text = f"{self._waiting.lost_events} events could not be stored and were given up"
            events.append(self._event("events_lost", "record", text))
        if self._fault is not None:
            events.append(self._event("record_back", "record", f"it took nothing for a time: {self._fault}"))
        return events

    def _event(self, kind: str, subject: str, text: str) -> RecordEvent:
        return RecordEvent(self.session, self._clock.mono_ms(), self._clock.wall_ms(), kind, subject, text)

    def _seal(self) -> None:
        """Move hours that are over, of earlier sessions too, to compressed blocks; once the ledgers are in step."""
        if self.behind:
            return
        if not self._tidied:
            self._tidied = True
            # Room for the log is for speed only: a full disk must not count as a fault of it.
            with contextlib.suppress(StoreFull):
                self.writer.grow_wal()
            self.writer.seal_ended(self.session)
        hour = self._clock.mono_ms() // HOUR_MS * HOUR_MS
        if hour > self._sealed_until:
            self.writer.seal(self.session, hour)
            self._sealed_until = hour

    def _failed(self, error: StoreError) -> None:
        if self._fault is None:
            _log.error("%s", error)
            self._fault_began_ms = self._clock.mono_ms()
        self._fault = str(error)
        self._tried = time.monotonic()
        self._must_reopen = self._must_reopen or not isinstance(error, StoreFull)

    def _take_up_again(self) -> None:
        """After a fault: what became of the last commit, and of results that were not stored, only the record knows."""
        if self._must_reopen:
            self._reopen()
            self._must_reopen = False
        self.follower = Follower(self._settings, self._path, self.writer, self._clock.wall_ms(), "after a fault")
        self._alarming = Alarming.open(self._settings, self._path)

    def _reopen(self) -> None:
        """Open the record anew; what of the waiting is already in it is dropped. Raises StoreError."""
        if not self._path.exists():
            raise StoreError(f"{self._path}: the record is not there any more; bring its disk back")
        self.writer.close()
        self.writer = RecordWriter.open(self._path)
        reader = RecordReader.open(self._path)
        try:
            known = {(one.id, one.began_mono_ms, one.began_wall_ms) for one in reader.sessions()}
            stored = set(reader.events())
        finally:
            reader.close()
        if self._began not in known:
            raise StoreError(f"{self._path}: another record has taken the place of the one that was open")
        self._waiting.drop_stored(self.writer.last_mono_ms(self.session), stored)

    def commit_rest(self) -> None:
        """The last commit before the end."""
        with self._lock:
            self._recorder.note("stopped", "service", "the service stopped reading")
        self._tried = float("-inf")
        self.commit()
        if self._fault is not None:
            _log.error("%d readings are lost: %s", self._waiting.scans, self._fault)

    def close(self) -> None:
        self.writer.close()


def _times(block: ScanBlock) -> str:
    return ",".join(map(str, block.mono_ms.tolist()))
