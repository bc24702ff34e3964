"""The service inside a test: started, and stopped in order whatever becomes of the test. And a clock to be set."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from loggerd.clock import AcceleratedClock, Clock
from loggerd.model.scan import ClockState
from loggerd.recording import Recording
from loggerd.service import Service
from loggerd.settings.site import SiteSettings
from loggerd.wiring import build_service

WALL_MS = 1_790_000_000_000


class SettableClock(AcceleratedClock):
    """A clock whose wall time can be set and said to be unset; its monotonic time goes on."""

    def __init__(self, wall_ms: int = WALL_MS, speed: float = 1.0, start_mono_ms: int = 1_000_000) -> None:
        super().__init__(wall_ms, speed, start_mono_ms)
        self._stepped_ms = 0
        self.said = ClockState.SET

    def step(self, milliseconds: int) -> None:
        """Somebody sets the wall clock forward or back."""
        self._stepped_ms += milliseconds

    def wall_ms(self) -> int:
        return super().wall_ms() + self._stepped_ms

    def state(self) -> ClockState:
        return self.said


@asynccontextmanager
async def running(
    settings: SiteSettings, clock: Clock, announce: Callable[[str], None] | None = None
) -> AsyncIterator[Service]:
    """The service of these settings, reading by the time it is handed over."""
    service = build_service(settings, clock, announce)
    task = asyncio.create_task(service.run())
    try:
        started = asyncio.create_task(service.started.wait())
        await asyncio.wait({task, started}, return_when=asyncio.FIRST_COMPLETED)
        started.cancel()
        if task.done():
            await task
        yield service
    finally:
        service.stop()
        await task


def recording_of(service: Service) -> Recording:
    """The open session of a running service."""
    assert service._recording is not None
    return service._recording
