"""The service: starts lines and record, commits on time, keeps the ledgers in step, stops in order.

One event loop polls; one thread of its own writes the record. A slow card or a long catch-up never delays a poll.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from loggerd.calendar_jobs import CalendarJobs
from loggerd.clock import Clock
from loggerd.delivering import Delivering, store_through
from loggerd.letters import Letters
from loggerd.mailing import ways_of
from loggerd.not_storing import NotStoring
from loggerd.recording import Recording
from loggerd.settings.site import SiteSettings
from loggerd.sources.base import DeviceEvent, Line, Sink
from loggerd.status import EVERY_SECONDS, StatusKeeper
from loggerd.supervisor import stop_on_signals, tell_supervisor, watchdog_seconds

_log = logging.getLogger("loggerd")


class Service:
    """One site's service. `run` returns when `stop` has been called and everything is stored."""

    def __init__(
        self,
        settings: SiteSettings,
        path: Path,
        clock: Clock,
        lines: list[Line],
        announce: Callable[[str], None] | None = None,
    ) -> None:
        self.settings = settings
        self.path = path
        self.lines = lines
        self._clock = clock
        self._announce = announce
        self._stop = asyncio.Event()
        self.started = asyncio.Event()
        """Set when the record is open and the lines are being read."""
        self._writing = ThreadPoolExecutor(1, "record")
        self._recording: Recording | None = None
        self._status = StatusKeeper(path, clock, lines)
        self._delivering: Delivering | None = None

    def stop(self) -> None:
        """End the service; what has been read is stored first."""
        self._stop.set()

    async def run(self) -> None:
        """Run until stopped. Raises StoreError if the record cannot be opened."""
        loop = asyncio.get_running_loop()
        try:
            recording = await loop.run_in_executor(self._writing, self._open)
            self._recording = recording
            await self._with_record(recording)
        finally:
            if self._recording is not None:
                await loop.run_in_executor(self._writing, self._recording.close)
            self._writing.shutdown()

    def _open(self) -> Recording:
        return Recording.open(self.settings, self.path, self._clock, self._announce)

    async def _with_record(self, recording: Recording) -> None:
        sink = Sink(self._status.through(recording.scan), self._heard)
        tasks = [asyncio.create_task(line.run(sink), name="line") for line in self.lines]
        tasks.append(asyncio.create_task(self._commit_on_time(recording), name="commit"))
        tasks.append(asyncio.create_task(self._feed_watchdog(recording), name="watchdog"))
        tasks.append(asyncio.create_task(self._tell_pages(recording), name="status"))
        jobs = CalendarJobs(self.settings, recording, self._writing)
        jobs.start()
        delivering, direct = self._deliver(recording), self._not_storing(recording)
        self.started.set()
        tell_supervisor("READY=1", f"STATUS=reading {sum(len(line.devices) for line in self.lines)} devices")
        try:
            await self._until_stopped(tasks)
        finally:
            tell_supervisor("STOPPING=1")
            await jobs.stop()
            await _end(tasks)
            self._status.remove()
            for mailing in (delivering, direct):
                if mailing is not None:
                    await asyncio.to_thread(mailing.stop)
            await asyncio.get_running_loop().run_in_executor(self._writing, recording.commit_rest)

    def _deliver(self, recording: Recording) -> Delivering | None:
        """Begin to deliver what is in the outbox, if the settings name somebody to tell."""
        letters = Letters(self.settings)
        ways = ways_of(self.settings, letters, letters.tell)
        if not ways:
            return None
        store = store_through(self._writing, recording.update_outbox)
        delivering = Delivering(self.path, ways, store, self._clock)
        recording.mail_health, recording.told = delivering.health, delivering.wake
        delivering.start()
        self._delivering = delivering
        return delivering

    def _not_storing(self, recording: Recording) -> NotStoring | None:
        """Begin to watch whether the record takes anything, which alone is told past the record."""
        watching = NotStoring(self.settings, recording.not_stored, self._clock)
        if not watching.tells_somebody:
            return None
        watching.start()
        return watching

    async def _until_stopped(self, tasks: list[asyncio.Task[None]]) -> None:
        """Wait for stop(). A task that ends by itself is a bug: the service ends with it, to be started anew."""
        stopped = asyncio.create_task(self._stop.wait())
        try:
            done, _ = await asyncio.wait([stopped, *tasks], return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                if task is not stopped:
                    task.result()
                    raise RuntimeError(f"the task {task.get_name()} came to an end by itself")
        finally:
            stopped.cancel()

    def _heard(self, event: DeviceEvent) -> None:
        _log.warning('device "%s" %s: %s', event.device, event.kind, event.text)
        if self._recording is not None:
            self._recording.device_event(event)

    async def _commit_on_time(self, recording: Recording) -> None:
        """Commit at the settings' rate, by the monotonic clock; fold what is behind in the time between."""
        loop = asyncio.get_running_loop()
        period_ms = round(self.settings.record.commit_seconds * 1000)
        due = self._clock.mono_ms() + period_ms
        while True:
            if recording.behind:
                await loop.run_in_executor(self._writing, recording.catch_up_some)
            if self._clock.mono_ms() < due:
                # A short look at a time while something is behind, so that commits keep their rate.
                look = self._clock.mono_ms() + 1 if recording.behind else due
                await self._clock.sleep_until(min(due, look))
                continue
            await loop.run_in_executor(self._writing, recording.commit)
            self._status.looked()
            due += period_ms
            due = max(due, self._clock.mono_ms())

    async def _feed_watchdog(self, recording: Recording) -> None:
        """Tell the supervisor that we live, as long as commits and mails get on, and the loop turns."""
        every = watchdog_seconds()
        while True:
            await asyncio.sleep(every / 2 if every else 30.0)
            mailing = self._delivering is None or self._delivering.alive()
            if every and mailing and recording.alive():
                tell_supervisor("WATCHDOG=1", f"STATUS={recording.status()}")

    async def _tell_pages(self, recording: Recording) -> None:
        """Write once a minute how the service does, for the page of the logger."""
        while True:
            self._status.write(recording.status())
            await asyncio.sleep(EVERY_SECONDS)


async def _end(tasks: list[asyncio.Task[None]]) -> None:
    """Cancel tasks until all have ended.

    Once is not enough: before Python 3.12 asyncio.wait_for, which the Modbus library waits with, loses a cancellation
    that comes in the same turn of the loop as the answer.
    """
    left = set(tasks)
    while left:
        for task in left:
            task.cancel()
        _, left = await asyncio.wait(left, timeout=1.0)
    await asyncio.gather(*tasks, return_exceptions=True)


async def run_until_signal(service: Service) -> None:
    """Run the service until SIGTERM or SIGINT."""
    stop_on_signals(service.stop)
    await service.run()
