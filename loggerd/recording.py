"""The record as the service uses it: a session with its recorder, commits, ledgers in step, and what to do on faults.

Everything but `scan` and `device_event` is called from the one thread that writes.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from loggerd.clock import Clock
from loggerd.errors import StoreError, StoreFull
from loggerd.folding import Follower
from loggerd.model.scan import ClockState, Scan, ScanBlock
from loggerd.plans import service_note
from loggerd.recorder import Recorder
from loggerd.settings.domain import series_of
from loggerd.settings.site import SiteSettings
from loggerd.sources.base import DeviceEvent
from loggerd.store.record import HOUR_MS, BankResults, Commit, RecordEvent, RecordWriter

_log = logging.getLogger("loggerd")

MOST_WAITING = 200_000
"""Scans kept in memory while the record takes none; beyond it the oldest are given up, and said so."""
_WINDOWS_A_TURN = 48
_RETRY_SECONDS = 10.0


@dataclass
class _Waiting:
    """What is not in the record yet: readings with the results that go with them, oldest first."""

    readings: list[ScanBlock] = field(default_factory=list)
    results: dict[str, BankResults] = field(default_factory=dict)
    events: list[RecordEvent] = field(default_factory=list)

    def scans(self) -> int:
        return sum(len(block) for block in self.readings)


class Recording:
    """An open session of a site's record."""

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
        self._waiting = _Waiting()
        self._fault: str | None = None
        self._needs_reopening = False
        self._last_commit = time.monotonic()
        self._tried = 0.0
        self._begin_session()

    @staticmethod
    def open(settings: SiteSettings, path: Path, clock: Clock, announce: Callable[[str], None] | None) -> Recording:
        """Open the record and begin a session. Raises StoreError."""
        writer = RecordWriter.open(path)
        try:
            writer.grow_wal()
            return Recording(settings, path, clock, announce, writer)
        except BaseException:
            writer.close()
            raise

    def _begin_session(self) -> None:
        clock = self._clock
        mono, wall = clock.mono_ms(), clock.wall_ms()
        self.session = self.writer.begin_session("live", wall, mono, service_note(self._settings), clock.state())
        rows = {device: self.writer.register_series(series) for device, series in series_of(self._settings).items()}
        self._recorder = Recorder(clock, self.session, rows)
        self._recorder.note("started", "service", "the service began to read")
        self._sealed_until = mono // HOUR_MS * HOUR_MS
        self.follower = Follower(self._settings, self._path, self.writer, wall, "service started")

    # -- from the event loop --

    def scan(self, scan: Scan) -> None:
        with self._lock:
            self._recorder.scan(scan)

    def device_event(self, event: DeviceEvent) -> None:
        with self._lock:
            self._recorder.event(event)

    def alive(self) -> bool:
        """Whether commits come through, or the reason why not is known and being dealt with."""
        patience = max(60.0, 3 * self._settings.record.commit_seconds)
        return self._fault is not None or time.monotonic() - self._last_commit < patience

    def status(self) -> str:
        if self._fault is not None:
            return f"the record takes nothing: {self._fault}"
        return f"{self._recorder.scans} scans read"

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
            self.follower.catch_up(windows=_WINDOWS_A_TURN)
        except StoreError as error:
            self._failed(error)

    def commit(self) -> None:
        """Store what has been read, with what it makes of the ledgers, in one transaction."""
        with self._lock:
            readings, events = self._recorder.take()
        self._waiting.events.extend(events)
        if readings:
            self._waiting.readings.extend(readings)
            until = max(int(block.mono_ms[-1]) for block in readings)
            for found in self.follower.follow(self.session, readings, until):
                self._waiting.results[found.bank] = found
        if self._fault is not None and not self._mended():
            self._give_up_oldest()
            return
        self._store()

    def _store(self) -> None:
        waiting = self._waiting
        results = tuple(waiting.results.values())
        try:
            self.writer.commit(Commit(tuple(waiting.readings), results, tuple(waiting.events)))
        except StoreError as error:
            self._failed(error)
            return
        self.follower.stored(results)
        self._waiting = _Waiting()
        self._last_commit = time.monotonic()
        if self._announce is not None:
            for block in waiting.readings:
                self._announce(f"stored {self.session} {block.device} {_times(block)}")
        self._seal()

    def _seal(self) -> None:
        hour = self._clock.mono_ms() // HOUR_MS * HOUR_MS
        if hour > self._sealed_until and not self.behind:
            self.writer.seal(self.session, hour)
            self._sealed_until = hour

    def _failed(self, error: StoreError) -> None:
        if self._fault is None:
            _log.error("%s", error)
        self._fault = str(error)
        self._tried = time.monotonic()
        self._needs_reopening = not isinstance(error, StoreFull)

    def _mended(self) -> bool:
        """Try again now and then; after an error of the disk the record has to be opened anew."""
        if time.monotonic() - self._tried < _RETRY_SECONDS:
            return False
        self._tried = time.monotonic()
        try:
            if self._needs_reopening:
                self._reopen()
        except StoreError as error:
            self._failed(error)
            return False
        self._waiting.events.append(
            RecordEvent(
                self.session, self._clock.mono_ms(), self._clock.wall_ms(), "record_back", "record", self._fault or ""
            )
        )
        self._fault = None
        return True

    def _reopen(self) -> None:
        """Open the record anew; what of the waiting readings is already in it is dropped, the ledgers read it again."""
        self.writer.close()
        self.writer = RecordWriter.open(self._path)
        last = self.writer.last_mono_ms(self.session)
        if last is not None:
            kept = [_after(block, last) for block in self._waiting.readings]
            self._waiting.readings = [block for block in kept if len(block)]
        self._waiting.results = {}
        self.follower = Follower(self._settings, self._path, self.writer, self._clock.wall_ms(), "record opened anew")

    def _give_up_oldest(self) -> None:
        while self._waiting.scans() > MOST_WAITING:
            lost = self._waiting.readings.pop(0)
            self._waiting.events.append(
                RecordEvent(
                    self.session,
                    self._clock.mono_ms(),
                    self._clock.wall_ms(),
                    "readings_lost",
                    lost.device,
                    f"{len(lost)} readings could not be stored",
                )
            )

    def commit_rest(self) -> None:
        """The last commit before the end."""
        with self._lock:
            self._recorder.note("stopped", "service", "the service stopped reading")
        self.commit()

    def close(self) -> None:
        self.writer.close()


def _times(block: ScanBlock) -> str:
    return ",".join(map(str, block.mono_ms.tolist()))


def _after(block: ScanBlock, mono_ms: int) -> ScanBlock:
    start = int(block.mono_ms.searchsorted(mono_ms, side="right"))
    return block.slice(start, len(block))
