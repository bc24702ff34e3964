"""Bytes that the whole service sends to the card: `loggerd run` on a loop-mounted ext4 disk, counted at its device.

Run as root: python tests/benchmarks/benchmark_service_card.py [--seconds 300] [--hours 5]
Two runs of each kind, since neither sees everything: in real time, long enough for what the kernel writes by its own
clock (the journal every 5 s, the log's index) but not for the hourly sealing; and in accelerated time over hours, with
sealing and the log's checkpoints. A day is what the real-time run shows, and what the sealing and the checkpoints of
the other one add to its commits. The growth of the log at the start (12 MB, once) is left out.
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
_SPEEDS = {1: 120.0, 20: 40.0}
_STRETCH_SECONDS = 600
_SETTLING_SECONDS = 15
_WALL_MS = 1_750_032_000_000


@dataclass(frozen=True)
class Day:
    """Megabytes a day: all of it at the device, and what the process handed to the file system."""

    device: float
    process: float


@dataclass(frozen=True)
class Hours:
    """Megabytes a day at the device: on average, and in a stretch of ten minutes with commits alone (the median)."""

    mean: float
    commits: float


def handed_over(process: int) -> int:
    """Bytes that a process has caused to be written (whole pages), without the file system's own."""
    lines = Path(f"/proc/{process}/io").read_text(encoding="utf-8").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes"))


def real_time(devices: int, commit_seconds: int, seconds: int) -> Day:
    """From a sample in real time that begins and ends between two commits."""
    with ext4(200) as disk, register_farm(1) as (ports, told):
        text = settings_text([(ports[0], number + 1) for number in range(devices)], commit_seconds)
        with service(disk.folder, text) as process:
            first_request(told)
            # After the first commit, when the log takes its full size once.
            time.sleep(commit_seconds + _SETTLING_SECONDS)
            device, own, begun = disk.written(), handed_over(process.pid), time.monotonic()
            time.sleep(seconds)
            scale = 86_400 / (time.monotonic() - begun) / 1e6
            return Day((disk.written() - device) * scale, (handed_over(process.pid) - own) * scale)


def accelerated(devices: int, commit_seconds: int, hours: int) -> Hours:
    """From whole hours of an accelerated clock, after a first one that is not counted."""
    with ext4(200) as disk, register_farm(1) as (ports, told):
        path = disk.folder / "site.toml"
        path.write_text(
            settings_text([(ports[0], number + 1) for number in range(devices)], commit_seconds), encoding="utf-8"
        )
        speed = _SPEEDS[devices]
        command = [sys.executable, __file__, "--serve", str(path), str(speed)]
        with subprocess.Popen(command) as process:
            first_request(told)
            time.sleep(3600 / speed)
            counts = [disk.written()]
            for _ in range(hours * 3600 // _STRETCH_SECONDS):
                time.sleep(_STRETCH_SECONDS / speed)
                counts.append(disk.written())
            if process.poll() is not None:
                raise RuntimeError("the service ended by itself")
            process.terminate()
            process.wait(timeout=60)
        stretches = [after - before for before, after in pairwise(counts)]
        scale = 86_400 / _STRETCH_SECONDS / 1e6
        return Hours(statistics.mean(stretches) * scale, statistics.median(stretches) * scale)


def serve(path: Path, speed: float) -> None:
    """The service on an accelerated clock, until it is terminated."""
    from loggerd.clock import AcceleratedClock
    from loggerd.service import run_until_signal
    from loggerd.settings.load import load_settings
    from loggerd.wiring import build_service

    asyncio.run(run_until_signal(build_service(load_settings(path), AcceleratedClock(_WALL_MS, speed))))


def measure(seconds: int, hours: int) -> None:
    kinds = ((1, 10), (1, 60), (20, 10))
    # Each has a disk and a counter of its own, and hardly uses the processor: they may wait side by side.
    with ThreadPoolExecutor(2 * len(kinds)) as pool:
        slow = {kind: pool.submit(real_time, *kind, seconds) for kind in kinds}
        quick = {kind: pool.submit(accelerated, *kind, hours) for kind in kinds}
        real = {kind: future.result() for kind, future in slow.items()}
        fast = {kind: future.result() for kind, future in quick.items()}
    days = {}
    for kind in kinds:
        devices, commit_seconds = kind
        title(f"card, {devices * CHANNELS} channels at 1 Hz, commit every {commit_seconds} s (so much is at risk)")
        show(f"real time, {seconds} s, at the device", real[kind].device, "MB a day")
        show("  of which handed over by the service", real[kind].process, "MB a day")
        show(f"accelerated, {hours} h with sealing, at the device", fast[kind].mean, "MB a day")
        extra = fast[kind].mean - fast[kind].commits
        show("  of which sealing and the log's checkpoints", extra, "MB a day")
        days[kind] = real[kind].device + extra
        show("a day: as in real time, and sealing and checkpoints", days[kind], "MB a day", AIMS.get(kind))
    show("20 times the channels at 10 s: times the bytes", days[20, 10] / days[1, 10], "", AIM_RATIO)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=int, default=300)
    parser.add_argument("--hours", type=int, default=5)
    parser.add_argument("--serve", nargs=2, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.serve:
        serve(Path(options.serve[0]), float(options.serve[1]))
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
