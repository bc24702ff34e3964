"""What tests of the command line share: a small site, readings that can be counted by hand, a way to call a verb."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

from loggerd.__main__ import main

SITE = """\
[site]
name = "Hut"
timezone = "Europe/Vienna"

[[bank]]
name = "house"
type = "flooded_antimony"
strings = 1
blocks_per_string = 4
cells_per_block = 6
rated_amp_hours = 100
rated_hours = 20
"""
BEGIN = datetime(2026, 5, 1, 6, 0, tzinfo=UTC)
STEP_SECONDS = 10

# Hours, amps and volts: 20 Ah and 980 Wh out, 22 Ah and 1232 Wh in. Half an hour of rest at both ends and between.
COURSE = ((0.5, 0.0, 50.8), (2.0, -10.0, 49.0), (0.5, 0.0, 50.0), (2.0, 11.0, 56.0), (0.5, 0.0, 52.0))


def readings(course: tuple[tuple[float, float, float], ...] = COURSE) -> Iterator[tuple[datetime, float, float]]:
    """(time, volts, amps) every STEP_SECONDS from BEGIN on."""
    at = BEGIN
    for hours, amps, volts in course:
        for _ in range(round(hours * 3600 / STEP_SECONDS)):
            yield at, volts, amps
            at += timedelta(seconds=STEP_SECONDS)


def csv_text(course: tuple[tuple[float, float, float], ...] = COURSE) -> str:
    rows = [f"{at.isoformat()},{volts:.2f},{amps:.2f}" for at, volts, amps in readings(course)]
    return "\n".join(["time,volts,amps", *rows]) + "\n"


def call(*words: str | Path) -> int:
    """Exit code of the command line with these words."""
    try:
        return main([str(word) for word in words])
    except SystemExit as left:
        # argparse leaves by itself.
        assert isinstance(left.code, int)
        return left.code
