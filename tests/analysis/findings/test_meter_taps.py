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


def days_of(off: tuple[float, float, float], days: int, begin: int, lift: float = 0.0) -> list[Frame]:
    """Days of eight hours of each phase; the tap between blocks 3 and 4 is off by so much in each. `lift`: how far gas
    lifts block 3 above the others on charge."""
    frames = []
    for place in range(days * 288):
        phase = place // 96 % 3
        amps, volts = PHASES[phase]
        blocks = [volts] * 6
        blocks[2] -= off[phase]
        blocks[3] += off[phase]
        blocks[2] += lift if amps > 0.0 else 0.0
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


@pytest.mark.parametrize(
    ("lift", "told"), [(0.25, ["right", "mirror"]), (-0.2, ["right", "mirror"]), (0.5, ["right"]), (-0.75, ["right"])]
)
def test_gas_that_lifts_one_block_hides_no_mirrored_tap(lift: float, told: list[str]) -> None:
    """Rest and discharge tell it; a charge speaks against it where both blocks are on the same side, or where one is
    far lower than at rest: that block lacks charge."""
    sound = days_of((0.0, 0.0, 0.0), 5, 0, lift)
    found = Pipeline(ground_of(BANK), limits_of(), Meter).run(sound + days_of((0.38, 0.38, 0.38), 5, 5 * 288, lift))
    assert [one.verdict for one in found if one.name == "meter.taps"] == told
