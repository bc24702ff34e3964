"""How a benchmark shows its figures: each with its aim, and whether it is met. Nothing is asserted."""

from __future__ import annotations

import os
import platform
import sqlite3
import sys
from pathlib import Path

import numpy as np


def machine() -> str:
    """One line about where the figures were measured."""
    model = next(
        (line.split(":", 1)[1].strip() for line in _lines("/proc/cpuinfo") if line.startswith("model name")), "?"
    )
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    return (
        f"machine: {os.cpu_count()} cores ({model}), load {load:.1f}; Python {platform.python_version()},"
        f" numpy {np.__version__}, SQLite {sqlite3.sqlite_version}. Not measured: a small board and its card."
    )


def _lines(path: str) -> list[str]:
    try:
        return Path(path).read_text(encoding="utf-8").splitlines()
    except OSError:
        return []


def show(what: str, value: float, unit: str, aim: float | None = None, *, at_least: bool = False) -> bool:
    """Print a figure; with an aim, also whether it is met ("below" unless `at_least`). Returns that."""
    text = f"  {what:<62} {value:9.3g} {unit}"
    if aim is None:
        print(text, flush=True)
        return True
    met = value >= aim if at_least else value < aim
    print(f"{text}  (aim {'at least' if at_least else 'under'} {aim:g}: {'met' if met else 'MISSED'})", flush=True)
    return met


def resident_bytes(process: int | str = "self", which: str = "VmRSS") -> int:
    """Resident memory of a process, from /proc; `which` may be VmHWM (the highest so far)."""
    for line in _lines(f"/proc/{process}/status"):
        if line.startswith(which + ":"):
            return int(line.split()[1]) * 1024
    return 0


def title(text: str) -> None:
    print(f"\n{text}", flush=True)


def add_helpers() -> None:
    """Make the tests' helpers importable."""
    sys.path.insert(0, str(Path(__file__).parent.parent / "helpers"))
