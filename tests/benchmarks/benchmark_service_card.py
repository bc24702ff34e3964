"""Bytes that the whole service sends to the card: it runs on a loop-mounted ext4 disk, counted at its device.

Run as root: python tests/benchmarks/benchmark_service_card.py [--hours 2] [--seconds 300]

The figure is of whole hours with all that belongs to them: commits, the file system's journal, the log's index, the
hourly sealing, and at the end, as the service stops, the copying of the whole log into the record (which a service
that goes on does more seldom). The growth of the log at the start (12 MB, once) is left out.

The service's clock runs five times as fast, and so do those by which the kernel writes: the journal every second
instead of every five (mount option commit=1), and what waits in memory every six seconds instead of thirty (a sync of
this disk). A fast clock alone distorts: a journal that is still written every 5 s serves dozens of commits at once, so
that few channels seem to cost next to nothing, and many times as many seem dear. Beside it the service runs in real
time on a disk as it is, too short for the sealing: stretches of commits alone must agree.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import signal
import statistics
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from benchmark_card import ext4
from register_farm import first_request, register_farm
from service_run import CHANNELS, service, settings_text
from showing import machine, show, title

AIMS = {(1, 10): 160.0, (1, 60): 80.0}
AIM_RATIO = 3.0
SPEED = 5
_JOURNAL_SECONDS, _WRITE_BACK_SECONDS = 5, 30
"""How often ext4 writes its journal, and how long the kernel leaves changed pages in memory, unless told otherwise."""
_STRETCH_SECONDS = 600
_LEAST_SETTLING_SECONDS = 5
_SETTLING_SECONDS = 15
_WALL_MS = 1_750_032_000_000


@dataclass(frozen=True)
class Hours:
    """Megabytes a day at the device: of the whole run, and of its stretches with commits alone (the median)."""

    whole: float
    commits: float


def handed_over(process: int) -> int:
    """Bytes that a process has caused to be written (whole pages), without the file system's own."""
    lines = Path(f"/proc/{process}/io").read_text(encoding="utf-8").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes"))


def real_time(devices: int, commit_seconds: int, seconds: int) -> tuple[float, float]:
    """Megabytes a day at the device and handed over by the process, from a sample between two commits."""
    with ext4(200) as disk, register_farm(1) as (ports, told):
        text = settings_text([(ports[0], number + 1) for number in range(devices)], commit_seconds)
        with service(disk.folder, text) as process:
            first_request(told)
            # After the first commit, when the log takes its full size once.
            time.sleep(commit_seconds + _SETTLING_SECONDS)
            device, own, begun = disk.written(), handed_over(process.pid), time.monotonic()
            time.sleep(seconds)
            scale = 86_400 / (time.monotonic() - begun) / 1e6
            return (disk.written() - device) * scale, (handed_over(process.pid) - own) * scale


def whole_hours(devices: int, commit_seconds: int, hours: int) -> Hours:
    """From hours of a clock, and of a kernel, that run SPEED times as fast."""
    with ext4(200, f"noatime,commit={_JOURNAL_SECONDS // SPEED}") as disk, register_farm(1) as (ports, told):
        path = disk.folder / "site.toml"
        text = settings_text([(ports[0], number + 1) for number in range(devices)], commit_seconds)
        path.write_text(text, encoding="utf-8")
        with subprocess.Popen([sys.executable, __file__, "--serve", str(path)]) as process:
            first_request(told)
            time.sleep((commit_seconds + _SETTLING_SECONDS) / SPEED + _LEAST_SETTLING_SECONDS)
            begun = time.monotonic()
            counts = [disk.written()]
            for stretch in range(hours * 3600 // _STRETCH_SECONDS):
                for flush in range(1, _STRETCH_SECONDS // _WRITE_BACK_SECONDS + 1):
                    due = begun + (stretch * _STRETCH_SECONDS + flush * _WRITE_BACK_SECONDS) / SPEED
                    time.sleep(max(0.0, due - time.monotonic()))
                    written = disk.written()
                counts.append(written)
            if process.poll() is not None:
                raise RuntimeError("the service ended by itself")
            process.terminate()
            process.wait(timeout=60)
            total = disk.written() - counts[0]
        stretches = [after - before for before, after in pairwise(counts)]
        return Hours(total * 24 / hours / 1e6, statistics.median(stretches) * 86_400 / _STRETCH_SECONDS / 1e6)


def serve(path: Path) -> None:
    """The service on the fast clock, until it is terminated."""
    from loggerd.clock import AcceleratedClock
    from loggerd.service import run_until_signal
    from loggerd.settings.load import load_settings
    from loggerd.wiring import build_service

    asyncio.run(run_until_signal(build_service(load_settings(path), AcceleratedClock(_WALL_MS, SPEED))))


def measure(seconds: int, hours: int) -> None:
    kinds = ((1, 10), (1, 60), (20, 10))
    # Each has a disk and a counter of its own, and hardly uses the processor: they may wait side by side.
    with ThreadPoolExecutor(2 * len(kinds)) as pool:
        slow = {kind: pool.submit(real_time, *kind, seconds) for kind in kinds}
        quick = {kind: pool.submit(whole_hours, *kind, hours) for kind in kinds}
        real = {kind: future.result() for kind, future in slow.items()}
        days = {kind: future.result() for kind, future in quick.items()}
    for devices, commit_seconds in kinds:
        kind = devices, commit_seconds
        title(f"card, {devices * CHANNELS} channels at 1 Hz, commit every {commit_seconds} s (so much is at risk)")
        show(f"{hours} h, all that belongs to them", days[kind].whole, "MB a day", AIMS.get(kind))
        show("  of which commits, with journal and index", days[kind].commits, "MB a day")
        show(f"  the same in real time, {seconds} s", real[kind][0], "MB a day")
        show("    of which handed over by the service", real[kind][1], "MB a day")
    title("20 times the channels, commit every 10 s: times the bytes")
    show("whole hours", days[20, 10].whole / days[1, 10].whole, "", AIM_RATIO)
    show("commits alone, kernel and clock five times as fast", days[20, 10].commits / days[1, 10].commits, "")
    show("commits alone, in real time", real[20, 10][0] / real[1, 10][0], "")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=int, default=300)
    parser.add_argument("--hours", type=int, default=2)
    parser.add_argument("--serve", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.serve:
        serve(Path(options.serve))
        return
    # Ended from outside, the disks are unmounted all the same.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    print(machine())
    if os.geteuid() != 0:
        print("  bytes to the card: NOT MEASURED, needs root for a loop-mounted disk")
        return
    measure(options.seconds, options.hours)


if __name__ == "__main__":
    main()
