"""Taps off by some hundredths of a volt, on a bank of straight laws; volts are invented."""

from __future__ import annotations

import pytest
from fold_tools import bank as small_bank
from frame_tools import Pipeline, ground_of, limits_of, make_frame

from loggerd.analysis.findings.meter import Meter
from loggerd.analysis.frames import Frame

BANK = small_bank(blocks=6, cells=6, rated_amp_hours=100.0)
PHASES = ((-10.0, 12.2), (0.0, 12.6), (10.0, 13.4))
"""Amperes, and volts of a sound block."""


def days_of(off: tuple[float, float, float], days: int, begin: int) -> list[Frame]:
    """Days of eight hours of each phase; the tap between blocks 3 and 4 is off by so much in each."""
    frames = []
    for place in range(days * 288):
        phase = place // 96 % 3
        amps, volts = PHASES[phase]
        blocks = [volts] * 6
        blocks[2] -= off[phase]
        blocks[3] += off[phase]
        frames.append(make_frame(BANK, begin + place, amps, 6 * volts, block_volts=blocks))
    return frames


@pytest.mark.parametrize(
    ("later", "told"),
    [
        ((0.30, 0.38, 0.46), ["right", "mirror"]),
        ((0.20, 0.20, 0.20), ["right", "mirror"]),
        ((0.02, 0.02, 0.02), ["right", "mirror", "right"]),
        ((0.05, 0.38, 0.70), ["right", "mirror", "right"]),
    ],
)
def test_a_mirrored_tap_stands_until_half_of_it_is_gone(later: tuple[float, float, float], told: list[str]) -> None:
    """Named when it is alike in all phases; then a little more unlike, a little less, gone, and quite unlike."""
    frames = days_of((0.0, 0.0, 0.0), 5, 0) + days_of((0.38, 0.38, 0.38), 5, 5 * 288) + days_of(later, 5, 10 * 288)
    found = Pipeline(ground_of(BANK), limits_of(), Meter).run(frames)
    assert [one.verdict for one in found if one.name == "meter.taps"] == told
