"""Jobs by the calendar of the site: retention, backup, the log's checkpoint, and rows for a time-series server.

APScheduler runs them; polling does not depend on it, since it goes by the wall clock. A job that was due while the
board was off runs when it can (no grace time), once.
"""

from __future__ import annotations

import asyncio
import logging
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

from loggerd.errors import DeliveryError, StoreError
from loggerd.model.outbox import ItemKind, Lane, NewItem, OutboxUpdate
from loggerd.recording import Recording
from loggerd.settings.delivery import WEBHOOK
from loggerd.settings.site import SiteSettings

if TYPE_CHECKING:
    from apscheduler.schedulers.asyncio import AsyncIOScheduler

_log = logging.getLogger("loggerd")


class CalendarJobs:
    """Holds the scheduler while the service runs."""

    def __init__(self, settings: SiteSettings, recording: Recording, writing: ThreadPoolExecutor) -> None:
        self._settings = settings
        self._recording = recording
        self._writing = writing
        self._scheduler: AsyncIOScheduler | None = None
        self._starting: asyncio.Task[None] | None = None

    def start(self) -> None:
        """Start a moment after the first polls: importing the scheduler takes longer than they do."""
        self._starting = asyncio.create_task(self._start())

    async def _start(self) -> None:
        await asyncio.sleep(2.0)
        from apscheduler.schedulers.asyncio import AsyncIOScheduler

        defaults = {"misfire_grace_time": None, "coalesce": True, "max_instances": 1}
        scheduler = AsyncIOScheduler(timezone=self._settings.site.timezone, job_defaults=defaults)
        # Between 01:00 and 04:00 a local hour may come twice or not at all.
        scheduler.add_job(self._retain, "cron", hour=4, minute=30)
        scheduler.add_job(self._checkpoint_log, "cron", hour=4, minute=40)
        if self._settings.record.backup_path is not None:
            scheduler.add_job(self._back_up, "cron", hour=4, minute=50)
        for keeper in self._settings.keepers:
            if keeper.digest != "none":
                hour, minute = keeper.digest_at.split(":")
                day = "mon" if keeper.digest == "weekly" else "*"
                told = (Lane.MAIL, keeper.name, ItemKind.DIGEST)
                scheduler.add_job(self._tell, "cron", told, day_of_week=day, hour=hour, minute=minute)
        if self._settings.heartbeat is not None:
            hour, minute = self._settings.heartbeat.at.split(":")
            for name in self._settings.heartbeat.to:
                lane = Lane.WEBHOOK if name == WEBHOOK else Lane.MAIL
                scheduler.add_job(self._tell, "cron", (lane, name, ItemKind.HEARTBEAT), hour=hour, minute=minute)
        if self._settings.time_series is not None:
            scheduler.add_job(self._forward, "cron", minute="*/5")
        scheduler.start()
        self._scheduler = scheduler

    async def stop(self) -> None:
        """Stop the scheduler; a job under way in the writing thread finishes there."""
        if self._starting is not None:
            self._starting.cancel()
            await asyncio.gather(self._starting, return_exceptions=True)
        if self._scheduler is not None:
            self._scheduler.shutdown(wait=False)

    async def _in_writing_thread(self, job: str, work: object) -> None:
        assert callable(work)
        try:
            await asyncio.get_running_loop().run_in_executor(self._writing, work)
        except StoreError as error:
            _log.error("%s: %s", job, error)

    async def _tell(self, lane: Lane, receiver: str, kind: ItemKind) -> None:
        """Put a digest or a sign of life into the outbox."""
        recording = self._recording

        def work() -> None:
            now_ms = recording.wall_ms()
            recording.update_outbox(OutboxUpdate(items=(NewItem(lane, receiver, kind, now_ms, now_ms),)))
            recording.told()

        await self._in_writing_thread(kind.value, work)

    async def _retain(self) -> None:
        record = self._settings.record
        recording = self._recording

        def work() -> None:
            if recording.clock_is_set():
                recording.writer.retain(recording.wall_ms(), record.raw_days, record.minute_days)

        await self._in_writing_thread("retention", work)

    async def _checkpoint_log(self) -> None:
        await self._in_writing_thread("checkpoint", self._recording.writer.checkpoint_wal)

    async def _back_up(self) -> None:
        folder = Path(self._settings.record.backup_path or "")
        recording = self._recording
        target = folder / f"{Path(self._settings.record.path).stem}-backup.sqlite"
        try:
            # Beside the writing thread: a copy of a large record must not hold up the commits.
            await asyncio.to_thread(recording.writer.backup, target)
        except StoreError as error:
            _log.error("backup: %s", error)

    async def _forward(self) -> None:
        from loggerd.forwarding import forward

        try:
            await asyncio.to_thread(forward, self._settings)
        except (DeliveryError, StoreError) as error:
            _log.warning("time-series server: %s", error)
