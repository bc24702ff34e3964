"""Shares of parallel strings: the table of an own simulation of two strings, and the findings made of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest
from fold_tools import bank
from frame_tools import Pipeline, ground_of, limits_of, make_frame, restarts_change_nothing

from loggerd.analysis.findings.blocks import Blocks
from loggerd.analysis.findings.strings import Shares, verdict_of_shares
from loggerd.analysis.findings.swings import Swings
from loggerd.analysis.frames import Frame
from loggerd.model.finding import Finding

BANK = bank(rated_amp_hours=400.0, strings=2)

# Share of string 2 at the first per cent, in the middle, at the end, and of the amp-hours: own simulation.
TABLE = [
    ("capacity 80 %, resistance in proportion", (0.444, 0.444, 0.444, 0.444), "less_capacity"),
    ("capacity 80 %, same resistance", (0.487, 0.446, 0.425, 0.447), "less_capacity"),
    ("a link with half as much again", (0.42, 0.49, 0.53, 0.494), "more_resistance"),
    ("a link with three times as much", (0.28, 0.48, 0.55, 0.473), "more_resistance"),
    ("10 % less charge at the start", (-0.05, 0.50, 0.50, 0.474), "behind_in_charge"),
    ("equal", (0.49, 0.50, 0.50, 0.50), "even"),
    ("open", (0.0, 0.01, 0.01, 0.01), "no_current"),
    ("a cell short: it takes from the other first", (-0.3, 0.05, 0.1, 0.01), "ambiguous"),
    ("low at the start and in the middle", (0.1, 0.42, 0.45, 0.42), "ambiguous"),
]


@pytest.mark.parametrize(("case", "parts", "verdict"), TABLE, ids=[row[0] for row in TABLE])
def test_the_rule_reads_the_table(case: str, parts: tuple[float, float, float, float], verdict: str) -> None:
    assert verdict_of_shares(Shares(*(2.0 * one for one in parts)), 0.08) == verdict


def discharges(share: Callable[[float], float], count: int) -> list[Frame]:
    """Discharges to 60 % in which string 2 has that share at a part (0 to 1) of the discharge."""
    frames: list[Frame] = []
    for _ in range(count):
        for step in range(72):
            part = share(step / 71)
            frames.append(make_frame(BANK, len(frames), -40.0, 48.0, string_amps=[-40 * (1 - part), -40 * part]))
        frames += [make_frame(BANK, len(frames) + step, 42.0, 56.0) for step in range(72)]
        frames = [
            make_frame(BANK, at, frame.amps, 48.0, string_amps=frame.string_amps.tolist())
            for at, frame in enumerate(frames)
        ]
    return frames


def judged(frames: Sequence[Frame]) -> list[Finding]:
    found = Pipeline(ground_of(BANK), limits_of(), Swings, Blocks).run(frames)
    return [one for one in found if one.name == "strings.sharing"]


def ramp(first: float, middle: float, end: float) -> Callable[[float], float]:
    return lambda part: float(np.interp(part, [0.0, 0.05, 0.2, 0.8, 1.0], [first, first, middle, middle, end]))


@pytest.mark.parametrize(
    ("share", "verdict"),
    [
        (ramp(0.487, 0.446, 0.425), "less_capacity"),
        (ramp(0.28, 0.48, 0.56), "more_resistance"),
        (ramp(-0.05, 0.5, 0.5), "behind_in_charge"),
        (ramp(0.5, 0.5, 0.5), "even"),
    ],
)
def test_three_discharges_that_agree_name_what_a_string_has(share: Callable[[float], float], verdict: str) -> None:
    assert judged(discharges(share, 2)) == []
    found = judged(discharges(share, 4))
    second = [one for one in found if one.subject == "string 2"]
    assert [one.verdict for one in second] == [verdict]
    assert second[0].value == pytest.approx(100.0 * 2.0 * share(0.5), abs=2.0)


def test_restarts_change_nothing() -> None:
    frames = discharges(ramp(0.28, 0.48, 0.56), 4)
    assert restarts_change_nothing(ground_of(BANK), limits_of(), [Swings, Blocks], frames)
