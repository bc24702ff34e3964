"""Runs all benchmarks in turn, each in a process of its own, and says at the end which figures missed their aim.

Run: python tests/benchmarks/all.py [--quick]   (as root for the bytes to the card)
In full about an hour, most of it waiting in real time; --quick about 20, with small samples that say less.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from subprocess import PIPE, STDOUT, Popen

FULL = (
    ("benchmark_replay.py", "--days", "30", "--year"),
    ("benchmark_findings.py", "--days", "10"),
    ("benchmark_start.py", "--runs", "10"),
    ("benchmark_live.py", "--seconds", "60"),
    ("benchmark_alarm_mail.py", "--banks", "100", "--groups", "2"),
    ("benchmark_pages.py",),
    ("benchmark_service_card.py", "--seconds", "300", "--hours", "2"),
    ("benchmark_store.py", "--days", "20"),
    ("benchmark_card.py", "--hours", "3", "--seconds", "120"),
)
QUICK = (
    ("benchmark_replay.py", "--days", "12"),
    ("benchmark_findings.py", "--days", "4"),
    ("benchmark_start.py", "--runs", "3"),
    ("benchmark_live.py", "--seconds", "15"),
    ("benchmark_alarm_mail.py", "--banks", "20", "--groups", "1"),
    ("benchmark_pages.py", "--months", "12"),
    ("benchmark_service_card.py", "--seconds", "60", "--hours", "1"),
    ("benchmark_store.py", "--days", "3"),
)


def run(name: str, options: tuple[str, ...]) -> list[str]:
    """Show what a benchmark prints as it comes; returns the lines that missed an aim."""
    print(f"\n=== {name} {' '.join(options)}", flush=True)
    missed = []
    command = [sys.executable, "-u", str(Path(__file__).with_name(name)), *options]
    with Popen(command, stdout=PIPE, stderr=STDOUT, text=True) as process:
        assert process.stdout is not None
        for line in process.stdout:
            print(line, end="", flush=True)
            if "MISSED" in line or "NOT MEASURED" in line:
                missed.append(f"{name}: {line.strip()}")
    if process.returncode:
        missed.append(f"{name}: ended with {process.returncode}")
    return missed


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="small samples")
    chosen = QUICK if parser.parse_args().quick else FULL
    missed = [line for name, *options in chosen for line in run(name, tuple(options))]
    print("\n=== missed aims" if missed else "\n=== all aims are met")
    for line in missed:
        print(line)


if __name__ == "__main__":
    main()
