"""The whole service under load as a program, for tests that record its system calls. It runs several times in turn.

As a program: python service_load.py SETTINGS ACK_FILE SYNCHRONOUS RUNS COMMITS SPEED
The clock runs SPEED times as fast, so that hours are sealed too; it says that it is set, so that the pause
between two runs counts as known. Each run ends in order after so many announcements of devices.
"""

from __future__ import annotations

import asyncio
import os
import sys
import time
from pathlib import Path

from loggerd.clock import AcceleratedClock
from loggerd.recording import Recording
from loggerd.service import Service
from loggerd.settings.load import load_settings
from loggerd.store import connection, writer
from loggerd.store.record import RecordWriter
from loggerd.wiring import build_lines

WALL_MS = 1_790_000_000_000


class LoadedService(Service):
    """The service on a record opened with a durability of its own choice."""

    synchronous = "FULL"

    def _open(self) -> Recording:
        if self.synchronous == "FULL":
            return super()._open()
        opened = RecordWriter.open(self.path, synchronous=self.synchronous)
        return Recording(self.settings, self.path, self._clock, self._announce, opened)


async def run_once(settings_path: Path, ack: int, clock: AcceleratedClock, synchronous: str, lines: int) -> None:
    settings = load_settings(settings_path)
    told = 0

    def announce(line: str) -> None:
        nonlocal told
        os.write(ack, f"{line}\n".encode())
        told += 1
        if told >= lines:
            loop.call_soon_threadsafe(service.stop)

    loop = asyncio.get_running_loop()
    service = LoadedService(settings, Path(settings.record.path), clock, build_lines(settings, clock), announce)
    service.synchronous = synchronous
    await service.run()


def main() -> None:
    settings, ack_file, synchronous, runs, lines, speed = sys.argv[1:]
    ack = os.open(ack_file, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    # A small log is copied into the file often, and the states of the disk are quicker to make.
    for module in (connection, writer):
        vars(module)["WAL_PAGES"] = 100
    begun = time.monotonic()
    for _ in range(int(runs)):
        passed_ms = round((time.monotonic() - begun) * 1000 * float(speed))
        # Each run has a monotonic clock of its own, as after a start of the board.
        clock = AcceleratedClock(WALL_MS + passed_ms, float(speed))
        asyncio.run(run_once(Path(settings), ack, clock, synchronous, int(lines)))


if __name__ == "__main__":
    main()
