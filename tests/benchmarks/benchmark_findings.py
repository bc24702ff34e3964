"""Findings: what judging costs beside the plain replay of the same record. Prints the ratio, memory and state.

Run: python tests/benchmarks/benchmark_findings.py [--days 10]
The plain replay is the same fold without limits, which makes ledgers only. Processor time, each in its own process,
one after the other and back, twice.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from benchmark_replay import site, write_record
from showing import machine, show, title
from streams import CHANNELS, DAY_SECONDS

from loggerd.analysis.fold import BankFold
from loggerd.analysis.limit_table import NO_LIMITS
from loggerd.model.scan import ScanBlock
from loggerd.plans import axes_of, plan_of
from loggerd.settings.load import load_settings
from loggerd.store.record import RecordReader

AIM_RATIO = 2.0
WINDOWS = 12
"""Hours folded at a time, about as many as the service takes when it catches up."""


def fold(path: Path, judged: bool) -> tuple[float, int, int]:
    """Processor seconds of folding a record, findings made, bytes of the state at its end."""
    settings = load_settings(path)
    reader = RecordReader.open(Path(settings.record.path))
    sessions = reader.sessions()
    bank = settings.banks[0].name
    plan = plan_of(settings, bank, reader.series(), sessions, reader.revisions(bank))
    one = BankFold(plan if judged else replace(plan, limits=NO_LIMITS))
    axes = axes_of(sessions)
    begun, found = time.process_time(), 0
    gathered: list[ScanBlock] = []
    for number, window in enumerate(reader.windows(bank, None), 1):
        gathered.extend(window.blocks)
        if number % WINDOWS == 0:
            found += len(one.push(axes[window.session], gathered).findings)
            gathered = []
    spent = time.process_time() - begun
    reader.close()
    return spent, found, len(one.dump())


def apart(path: Path, judged: bool) -> tuple[float, int, int]:
    command = [sys.executable, __file__, "--fold", str(path), str(int(judged))]
    out = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
    return float(out[0]), int(out[1]), int(out[2])


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--days", type=int, default=10)
    parser.add_argument("--fold", nargs=2, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.fold:
        print(*fold(Path(options.fold[0]), options.fold[1] == "1"))
        return
    machine()
    with tempfile.TemporaryDirectory() as name:
        for stream, two_devices in (("house", False), ("truck", True)):
            settings = site(Path(name), stream, two_devices)
            write_record(settings, stream, options.days)
            path = Path(name) / f"{stream}.toml"
            runs = [(judged, apart(path, judged)) for judged in (False, True, True, False)]
            plain = min(run[0] for judged, run in runs if not judged)
            judging = min(run[0] for judged, run in runs if judged)
            readings = options.days * DAY_SECONDS * len(CHANNELS)
            title(f"{stream}, {options.days} days at 1 Hz")
            show("plain replay", plain / readings * 1e9, "ns per channel reading")
            show("with findings", judging / readings * 1e9, "ns per channel reading")
            show("ratio", judging / plain, "", AIM_RATIO)
            show("findings made", runs[1][1][1], "")
            show("state", runs[1][1][2] / 1000, "kB")


if __name__ == "__main__":
    main()
