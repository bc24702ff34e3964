"""Replay from the record: one bank, eight channels at 1 Hz. Prints time, memory and the ratio to plain numpy.

Run: python tests/benchmarks/benchmark_replay.py [--days 30] [--year] [--keep FOLDER]
Every day is made and stored by itself, nothing is repeated. `--year` stores and folds 365 days of the house, where
otherwise a year is extrapolated from `--days`. Times are processor time of the one thread that works, which other
load on the machine disturbs least; the elapsed time is shown beside it.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from plain_numpy import segment_and_integrate, segment_once
from showing import machine, resident_bytes, show, title
from streams import CHANNELS, DAY_SECONDS, FIRST_DAY_MS, day_of_counts, settings_text

from loggerd import folding
from loggerd.analysis.limit_table import NO_LIMITS
from loggerd.analysis.plan import BankPlan
from loggerd.folding import Follower
from loggerd.model.channels import MISSING
from loggerd.model.scan import ClockState, ScanBlock
from loggerd.plans import SessionNote, plan_of
from loggerd.settings.domain import series_of
from loggerd.settings.load import load_settings
from loggerd.settings.site import SiteSettings
from loggerd.store.record import RecordReader, RecordWriter

AIM_NS, AIM_SHARE, AIM_LINEAR, AIM_GROWTH_MB = 50.0, 1 / 3, 1.1, 8.0
_TURNS, _PLAIN_DAYS = 5, 10
HIGH_MILLIAMPS = 135.0
"""What the settings' accuracy gives as the threshold of charge and discharge."""


def site(folder: Path, name: str, two_devices: bool) -> SiteSettings:
    path = folder / f"{name}.toml"
    path.write_text(settings_text(name, f"{name}.sqlite", two_devices), encoding="utf-8")
    return load_settings(path)


def write_record(settings: SiteSettings, name: str, days: int) -> None:
    """Store the stream as sealed hours of an import session."""
    series = series_of(settings)
    writer = RecordWriter.open(Path(settings.record.path))
    note = SessionNote("benchmark", dict.fromkeys(series, 1000)).text()
    session = writer.begin_session("import", FIRST_DAY_MS, FIRST_DAY_MS, note, ClockState.SET)
    ids = {device: writer.register_series(rows) for device, rows in series.items()}

    def blocks() -> Iterator[ScanBlock]:
        zeros = np.zeros(DAY_SECONDS, dtype=np.int64)
        for day in range(days):
            at_ms, columns = day_of_counts(name, day)
            begin = 0
            for number, (device, own) in enumerate(ids.items()):
                part = columns[begin : begin + len(own)]
                begin += len(own)
                yield ScanBlock(device, session, own, at_ms + 5 * number, zeros, zeros, part)

    writer.import_blocks(session, blocks())
    writer.close()


def decode_alone(settings: SiteSettings, bank: str) -> float:
    """Processor seconds for reading and decoding every window."""
    reader = RecordReader.open(Path(settings.record.path))
    begun = time.process_time()
    for _ in reader.windows(bank, None):
        pass
    spent = time.process_time() - begun
    reader.close()
    return spent


@dataclass(frozen=True)
class Folded:
    """Processor and elapsed seconds for everything, megabytes grown after the first five days, entries made."""

    spent: float
    elapsed: float
    grown: float
    entries: int


def _ledgers_only(*words: Any) -> BankPlan:
    """The plan of a bank without limits, so that no findings are made: benchmark_findings.py says what those cost."""
    return replace(plan_of(*words), limits=NO_LIMITS)


def fold(settings: SiteSettings) -> Folded:
    """Record to ledgers, stored as the service would after being off for so long. Findings are left out."""
    folding.plan_of = _ledgers_only
    path = Path(settings.record.path)
    writer = RecordWriter.open(path)
    follower = Follower(settings, path, writer, FIRST_DAY_MS, "benchmark")
    after_some = 0

    def progress(_: str, hours: int) -> None:
        nonlocal after_some
        if hours == 120:
            after_some = resident_bytes()

    begun, spent = time.perf_counter(), time.process_time()
    follower.catch_up(progress)
    spent, elapsed = time.process_time() - spent, time.perf_counter() - begun
    grown = (resident_bytes() - after_some) / 1e6 if after_some else float("nan")
    writer.close()
    return Folded(spent, elapsed, grown, _entries(path))


def _entries(path: Path) -> int:
    from loggerd.model.ledger import LedgerName

    reader = RecordReader.open(path)
    bank = reader.series()[0].bank
    count = sum(1 for ledger in LedgerName for _ in reader.entries(bank, ledger))
    reader.close()
    return count


def fold_apart(folder: Path, name: str) -> Folded:
    """fold() in a process of its own, so that memory and caches are those of a replay."""
    command = [sys.executable, __file__, "--fold", str(folder), name]
    out = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
    return Folded(float(out[0]), float(out[1]), float(out[2]), int(out[3]))


def baseline(name: str, days: int) -> tuple[float, float]:
    """Processor seconds of plain numpy on the same arrays in memory: runs for every channel, and runs once."""
    parts = [day_of_counts(name, day) for day in range(days)]
    seconds = np.concatenate([at for at, _ in parts]) / 1000.0
    columns = [
        np.concatenate([np.where(columns[i] == MISSING, 0, columns[i]) for _, columns in parts]) * 1.0
        for i in range(len(CHANNELS))
    ]
    every, once = [], []
    for _ in range(2):
        begun = time.process_time()
        for column in columns:
            segment_and_integrate(seconds, column, columns[1], HIGH_MILLIAMPS / 10)
        every.append(time.process_time() - begun)
        begun = time.process_time()
        segment_once(seconds, columns, HIGH_MILLIAMPS / 10)
        once.append(time.process_time() - begun)
    return min(every), min(once)


@dataclass(frozen=True)
class Turn:
    """The fold, and right before it plain numpy: runs for every channel, and runs once (ns per channel reading)."""

    folded: Folded
    every: float
    once: float

    def share(self, readings: int) -> float:
        return self.every * readings / 1e9 / self.folded.spent


def turns(folder: Path, name: str, days: int) -> list[Turn]:
    """Fold and plain numpy by turns, each fold from a fresh copy of the record: other load meets both alike."""
    scale = 1e9 / (days * DAY_SECONDS * len(CHANNELS))
    found = []
    for number in range(_TURNS):
        copy = folder / f"turn {number}"
        copy.mkdir()
        for ending in ("toml", "sqlite"):
            shutil.copy(folder / f"{name}.{ending}", copy)
        every, once = baseline(name, days)
        found.append(Turn(fold_apart(copy, name), every * scale, once * scale))
        shutil.rmtree(copy)
    return found


def measure(folder: Path, name: str, days: int, two_devices: bool) -> float:
    """Store, decode and fold one stream; prints; returns nanoseconds per channel reading in all (median)."""
    settings = site(folder, name, two_devices)
    readings = days * DAY_SECONDS * len(CHANNELS)
    begun = time.perf_counter()
    write_record(settings, name, days)
    stored = time.perf_counter() - begun
    size = Path(settings.record.path).stat().st_size
    title(f"{name}, {days} days, {2 if two_devices else 1} instrument(s), {readings / 1e6:.1f} million readings")
    show("made and stored", stored, "s")
    show("at rest, summaries and all", size / readings, "bytes per reading", 1.0)
    decoding = min(decode_alone(settings, name) for _ in range(2)) / readings * 1e9
    show("decoding alone", decoding, "ns per channel reading")
    taken = sorted(turns(folder, name, min(days, _PLAIN_DAYS)), key=lambda turn: turn.folded.spent)
    folded = taken[len(taken) // 2].folded
    whole = folded.spent / readings * 1e9
    every = statistics.median(turn.every for turn in taken)
    shares = sorted(turn.share(readings) for turn in taken)
    show("everything: record to ledger", whole, "ns per channel reading", AIM_NS)
    show("  by the clock on the wall", folded.elapsed / readings * 1e9, "ns per channel reading")
    show("  of which analysis and storing results", whole - decoding, "ns per channel reading")
    show("  seconds for a year", whole * 8 * 365 * DAY_SECONDS / 1e9, "s")
    show("  entries in the ledgers", folded.entries, "")
    show("plain numpy in memory, runs and sums for each channel", every, "ns per channel reading")
    share = statistics.median(shares)
    show("  its share: rate of replay / rate of plain numpy", share, "", AIM_SHARE, at_least=True)
    show(f"    least and most of {len(shares)} turns: {shares[0]:.3f} and", shares[-1], "")
    show("  the analysis alone against it", every / (whole - decoding), "")
    once = statistics.median(turn.once for turn in taken)
    show("plain numpy, runs of the current only", once, "ns per channel reading")
    if days > 5:
        show("memory grown from day 5 to the end", folded.grown, "MB", AIM_GROWTH_MB)
    return whole


def run_all(folder: Path, days: int, year: bool) -> None:
    for name, two_devices in (("house", False), ("truck", True)):
        short_folder = folder / f"short {name}"
        short_folder.mkdir()
        short = measure(short_folder, name, max(1, days // 3), two_devices)
        long = measure(folder, name, 365 if year and name == "house" else days, two_devices)
        show("linear: time per reading of the long one / the short one", long / short, "", AIM_LINEAR)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--year", action="store_true")
    parser.add_argument("--fold", nargs=2, metavar=("FOLDER", "NAME"), help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.fold:
        folder, name = options.fold
        found = fold(load_settings(Path(folder) / f"{name}.toml"))
        print(found.spent, found.elapsed, found.grown, found.entries)
        return
    print(machine())
    with tempfile.TemporaryDirectory() as name:
        run_all(Path(name), options.days, options.year)


if __name__ == "__main__":
    main()
