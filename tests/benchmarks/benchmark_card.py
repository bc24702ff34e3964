"""Prints the bytes that reach the card: the record on a loop-mounted ext4 disk, counted at the block device.

Run as root: python tests/benchmarks/benchmark_card.py [--hours 4] [--seconds 120]
Two ways, both printed: hours of data written as fast as they can be (then the file system's own journal, which is
written every 5 s of real time, hardly appears), and a sample in real time, extrapolated to a day.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "helpers"))

from benchmark_store import hour_of_counts
from store_samples import WALL_MS, results, series

from loggerd.model.scan import Integers, ScanBlock
from loggerd.store.record import HOUR_MS, BankResults, Commit, Position, RecordWriter

NAMES = ("volts", "amps", *(f"block_{n}_volts" for n in range(1, 11)))
AIMS = {(1, 10): 160.0, (1, 60): 80.0}
STATE_BYTES = 3000


@dataclass
class Disk:
    """A mounted ext4 file system whose device counts what is written."""

    folder: Path
    device: str

    def written(self) -> int:
        subprocess.run(["sync", "-f", str(self.folder)], check=True)
        return int(Path(f"/sys/block/{self.device}/stat").read_text().split()[6]) * 512


@contextmanager
def ext4(megabytes: int = 400, options: str = "noatime") -> Iterator[Disk]:
    with tempfile.TemporaryDirectory() as name:
        image, folder = Path(name) / "image", Path(name) / "disk"
        folder.mkdir()
        with image.open("wb") as file:
            file.truncate(megabytes * 1_000_000)
        # Without lazy initialisation, which would go on writing in the background.
        run("mkfs.ext4", "-q", "-E", "lazy_itable_init=0,lazy_journal_init=0", str(image))
        device = run("losetup", "--find", "--show", str(image)).strip()
        try:
            run("mount", "-o", options, device, str(folder))
            try:
                yield Disk(folder, Path(device).name)
            finally:
                run("umount", str(folder))
        finally:
            run("losetup", "--detach", device)


def run(*command: str) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


class Site:
    """`devices` instruments of twelve channels at 1 Hz, and a writer that commits every `commit_seconds`."""

    def __init__(self, disk: Disk, devices: int, commit_seconds: int, state_every_seconds: int) -> None:
        self.disk, self.devices, self.commit_seconds = disk, devices, commit_seconds
        self.state_every = state_every_seconds
        self.writer = RecordWriter.open(disk.folder / "record.sqlite")
        self.ids = [self.writer.register_series([series(f"d{d}", name) for name in NAMES]) for d in range(devices)]
        self.session = self.writer.begin_session("live", WALL_MS, 0, "")
        self.revision = self.writer.set_revision("house", "one", "{}", "", WALL_MS)
        self.rng = np.random.default_rng(1)
        self._hour = -1
        self._columns: list[list[Integers]] = []

    def commit(self, second: int) -> None:
        if second // 3600 != self._hour:
            self._hour = second // 3600
            self._columns = [hour_of_counts(self._hour * self.devices + d, NAMES) for d in range(self.devices)]
        n, at = self.commit_seconds, second % 3600
        blocks = []
        for d in range(self.devices):
            stamps = (np.arange(second, second + n) * 1000 + d * 10 + self.rng.integers(0, 4, n)).astype(np.int64)
            part = tuple(column[at : at + n] for column in self._columns[d])
            same = np.full(n, WALL_MS, dtype=np.int64)
            blocks.append(ScanBlock(f"d{d}", self.session, self.ids[d], stamps, same, np.zeros(n, np.int64), part))
        last = Position(self.session, (second + n) * 1000)
        state = (BankResults("house", self.revision, results(), last, self.rng.bytes(STATE_BYTES)),)
        self.writer.commit(Commit(tuple(blocks), state if second % self.state_every == 0 else ()))
        if at + n >= 3600:
            self.writer.seal(self.session, (second + n) // 3600 * HOUR_MS)


def compressed(devices: int, commit_seconds: int, hours: int, state_every: int) -> float:
    """MB a day, from hours of data written without waiting, after a first hour that is not counted."""
    with ext4() as disk:
        site = Site(disk, devices, commit_seconds, state_every)
        with closing(site.writer):
            site.writer.grow_wal()
            before = 0
            for second in range(0, (hours + 1) * 3600, commit_seconds):
                if second == 3600:
                    before = disk.written()
                site.commit(second)
            return (disk.written() - before) / hours * 24 / 1e6


def real_time(devices: int, commit_seconds: int, seconds: int, state_every: int) -> tuple[float, float]:
    """MB a day at the block device and as given to the kernel by the process, from a sample in real time."""
    with ext4() as disk:
        site = Site(disk, devices, commit_seconds, state_every)
        with closing(site.writer):
            site.writer.grow_wal()
            for second in range(0, 1200, commit_seconds):
                site.commit(second)
            before, own_before, begun = disk.written(), own_bytes(), time.monotonic()
            for k in range(seconds // commit_seconds):
                time.sleep(max(begun + (k + 1) * commit_seconds - time.monotonic(), 0))
                site.commit(1200 + k * commit_seconds)
            # What the file system still holds back is counted too, as it would be written a little later.
            scale = 86_400 / (seconds // commit_seconds * commit_seconds) / 1e6
            return (disk.written() - before) * scale, (own_bytes() - own_before) * scale


def own_bytes() -> int:
    lines = Path("/proc/self/io").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("wchar"))


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--hours", type=int, default=4)
    parser.add_argument("--seconds", type=int, default=120)
    options = parser.parse_args()
    print(f"MB a day at the device; an analysis state of {STATE_BYTES} random bytes is stored every 300 s")
    extra = compressed(1, 10, options.hours, 10) - compressed(1, 10, options.hours, 300)
    print(f"  (a state with every commit of 10 s instead: {extra:.0f} more)", flush=True)
    day = {}
    for devices, commit_seconds in ((1, 10), (1, 60), (20, 10), (20, 60)):
        rows = compressed(devices, commit_seconds, options.hours, 300)
        device, process = real_time(devices, commit_seconds, options.seconds, 300)
        day[devices, commit_seconds] = rows + device - process
        aim = AIMS.get((devices, commit_seconds))
        verdict = f" (aim {aim:.0f}: {_verdict(day[devices, commit_seconds] < aim)})" if aim else ""
        total = f"{day[devices, commit_seconds]:.1f}{verdict}"
        print(
            f"  {devices * 12:>3} channels, commit every {commit_seconds} s: {total}\n"
            f"      log, pages, sealing, checkpoints {rows:.1f} ({options.hours} h without waiting)\n"
            f"      journal of the file system       {device - process:.1f} ({options.seconds} s in real time: device"
            f" {device:.1f}, given to the kernel {process:.1f})",
            flush=True,
        )
    for commit_seconds in (10, 60):
        ratio = day[20, commit_seconds] / day[1, commit_seconds]
        print(
            f"  20 times the channels at {commit_seconds} s: {ratio:.2f} times the bytes (aim 3: {_verdict(ratio < 3)})"
        )


def _verdict(met: bool) -> str:
    return "met" if met else "MISSED"


if __name__ == "__main__":
    main()
