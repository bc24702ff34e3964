"""The service ends even if a line loses the first request to stop."""

from __future__ import annotations

import asyncio
import tomllib
from pathlib import Path

from cli_files import SITE

from loggerd.clock import SystemClock
from loggerd.model.scan import Scan
from loggerd.service import Service
from loggerd.settings.site import SiteSettings
from loggerd.sources.base import DeviceHealth, Sink


class HardOfHearing:
    """A line whose first cancellation is lost, as asyncio.wait_for of Python 3.11 can lose one."""

    devices: tuple[str, ...] = ("shunt",)

    def __init__(self) -> None:
        self.cancelled = 0
        self.health: dict[str, DeviceHealth] = {}

    async def run(self, sink: Sink) -> None:
        while True:
            try:
                await asyncio.sleep(3600)
            except asyncio.CancelledError:
                self.cancelled += 1
                if self.cancelled > 1:
                    raise

    async def read_once(self, device: str) -> Scan:
        raise NotImplementedError

    async def close(self) -> None:
        pass


async def test_a_lost_cancellation_is_repeated(tmp_path: Path) -> None:
    line = HardOfHearing()
    service = Service(
        SiteSettings.model_validate(tomllib.loads(SITE)), tmp_path / "record.sqlite", SystemClock(), [line]
    )
    running = asyncio.create_task(service.run())
    await service.started.wait()

    service.stop()
    await asyncio.wait_for(running, 60)

    assert line.cancelled == 2
