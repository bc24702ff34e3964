"""The pages of a seeded site as a process of their own, if wanted with a service that goes on reading.

python pages_process.py FOLDER [--reading]: prints the port, then serves until it is killed. The clock goes on from the
end of the seeded past.
"""

from __future__ import annotations

import asyncio
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from seeded_site import END_MS

from loggerd.clock import AcceleratedClock
from loggerd.model.scan import Scan
from loggerd.recording import Recording
from loggerd.settings.load import load_settings
from loggerd.settings.site import SiteSettings
from loggerd.settings.web import WebSettings
from loggerd.wiring import build_pages

_MILLIVOLTS = (49_800, 49_950)
_TURNS = 8
"""Scans of the same voltage: pages show at most one a second, and must come to see both."""


@contextmanager
def pages(folder: Path, *words: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """The process and the address of its pages."""
    process = subprocess.Popen(
        [sys.executable, __file__, str(folder), *words], stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parent
    )
    try:
        assert process.stdout is not None
        yield process, f"http://localhost:{int(process.stdout.readline())}"
    finally:
        process.kill()
        process.wait()
        if process.stdout is not None:
            process.stdout.close()


async def _read_on(settings: SiteSettings, clock: AcceleratedClock) -> None:
    """A shunt whose voltage changes every four seconds, stored twice a second."""
    recording = await asyncio.to_thread(Recording.open, settings, Path(settings.record.path), clock, None)
    shunt = next(one for one in settings.devices if one.name == "shunt")
    turn = 0
    while True:
        step = turn // _TURNS
        known = {"volts": _MILLIVOLTS[step % 2] / 1000, "amps": -4.0 - step % 7}
        counts = [round(known.get(one.channel, 15.0) / (one.scale or 1.0)) for one in shunt.channels]
        recording.scan(Scan("shunt", tuple(counts)))
        await asyncio.to_thread(recording.commit)
        turn += 1
        await asyncio.sleep(0.5)


async def _serve(folder: Path, *, reading: bool) -> None:
    settings = load_settings(folder / "site.toml")
    settings = settings.model_copy(update={"web": WebSettings(port=0)})
    clock = AcceleratedClock(END_MS, 1)
    server = build_pages(settings, clock)
    print(server.listen(), flush=True)
    tasks = [asyncio.create_task(server.serve())]
    if reading:
        tasks.append(asyncio.create_task(_read_on(settings, clock)))
    await asyncio.gather(*tasks)


if __name__ == "__main__":
    asyncio.run(_serve(Path(sys.argv[1]), reading="--reading" in sys.argv))
