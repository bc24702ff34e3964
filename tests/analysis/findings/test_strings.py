"""Shares of parallel strings: the table of an own simulation of two strings, and the findings made of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import nan

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


DAY = 288


def under_load(
    *strings: tuple[float, float], bank_amps: float | None = None, swing: float = 0.0
) -> Callable[[int], Frame]:
    """A frame in which each string's current ranged from the one to the other, and the bank's by `swing` of itself, by
    its place."""

    def made(position: int) -> Frame:
        means = [(one + other) / 2.0 for one, other in strings]
        amps = sum(means) if bank_amps is None else bank_amps
        frame = make_frame(BANK, position, amps, 48.0, string_amps=means)
        columns = frame.layout.string_amps
        frame.low_list[columns] = [min(one) for one in strings]
        frame.high_list[columns] = [max(one) for one in strings]
        frame.low_list[0], frame.high_list[0] = amps * (1.0 + swing), amps * (1.0 - swing)
        return frame

    return made


PARTS = under_load((-40.0, -20.0), (-20.0, -0.2))
SOUND = under_load((-20.0, -20.0), (-20.0, -20.0))
ASLEEP = under_load((-40.0, -40.0), (-0.1, -0.1))
SWITCHED = under_load((-40.0, -20.0), (-20.0, -0.2), swing=0.6)
CASES = {
    "it parts": (SOUND, PARTS, 3, ["comes_and_goes"]),
    "twice only": (SOUND, PARTS, 2, []),
    "a load that is switched": (SOUND, under_load((-20.0, -0.1), (-20.0, -0.1)), 9, []),
    "a cell short takes from the other": (SOUND, under_load((-40.0, -20.0), (-20.0, 3.0)), 9, []),
    "a load that is switched, on a string with less charge": (SOUND, SWITCHED, 9, []),
    "a string with less charge that comes in late": (ASLEEP, PARTS, 9, []),
    "a string that never carries": (SOUND, under_load((-40.0, -30.0), (-1.0, -0.2)), 9, []),
    "a sensor that drops out": (SOUND, under_load((-20.0, -19.0), (-20.0, -0.2), bank_amps=-40.0), 9, []),
    "a sensor that drops out for a minute": (SOUND, under_load((-20.0, -20.0), (-29.9, -0.2), bank_amps=-40.0), 9, []),
    "hardly any load": (SOUND, under_load((-4.0, -2.0), (-2.0, -0.02)), 9, []),
}


def interrupted(frames: Sequence[Frame]) -> list[Finding]:
    found = restarts_change_nothing(ground_of(BANK), limits_of(), [Swings, Blocks], frames)
    return [one for one in found if one.name == "strings.interrupted"]


@pytest.mark.parametrize("case", CASES)
def test_a_string_that_comes_and_goes_is_told_from_what_looks_alike(case: str) -> None:
    before, made, times, verdicts = CASES[case]
    found = interrupted([one for at in range(times) for one in (before(12 * at), made(12 * at + 1))])
    assert [(one.subject, one.verdict) for one in found] == [("string 2", word) for word in verdicts]


def test_interruptions_minutes_apart_are_one() -> None:
    assert interrupted([(PARTS if position % 2 else SOUND)(position) for position in range(6)]) == []


PARTED = [one for at in range(3) for one in (SOUND(12 * at), PARTS(12 * at + 1))]


@pytest.mark.parametrize(
    ("later", "verdicts"),
    [
        ([SOUND(29 * DAY + at) for at in range(200)], []),
        ([SOUND(31 * DAY + at) for at in range(200)], ["steady"]),
        ([SOUND(31 * DAY + at) for at in range(100)], []),
        ([under_load((-40.0, -40.0), (0.0, 0.0))(31 * DAY + at) for at in range(200)], []),
        ([under_load((0.2, 0.2), (0.2, 0.2))(31 * DAY + at) for at in range(200)], []),
        ([under_load((-20.0, -20.0), (nan, nan), bank_amps=-40.0)(at * DAY) for at in range(2, 9)], ["cannot_tell"]),
        ([under_load((-20.0, -20.0), (nan, nan), bank_amps=-40.0)(at * DAY) for at in range(2, 6)], []),
    ],
)
def test_it_is_over_after_a_month_in_which_the_string_carried_its_part(later: list[Frame], verdicts: list[str]) -> None:
    """Not while it is open for good, nor without a load; and where its current is no longer read nobody can tell."""
    assert [one.verdict for one in interrupted([*PARTED, *later])] == ["comes_and_goes", *verdicts]


def test_occasions_months_apart_are_no_string_that_comes_and_goes() -> None:
    assert interrupted([one for at in range(3) for one in (SOUND(20 * DAY * at), PARTS(20 * DAY * at + 1))]) == []


@pytest.mark.parametrize("first", [SOUND, ASLEEP])
def test_what_a_string_carried_before_a_restart_is_known_after_it(first: Callable[[int], Frame]) -> None:
    """The state is taken out and put back after every 37 frames: here between the last two."""
    quiet = [SOUND(100 + at) for at in range(32)]
    frames = [*PARTED[:4], *quiet, first(400), PARTS(401)]
    assert len(frames) == 38
    assert [one.verdict for one in interrupted(frames)] == (["comes_and_goes"] if first is SOUND else [])


def test_a_string_that_was_not_seen_just_before_has_not_gone_out() -> None:
    late = [PARTS(12 * at + 2) for at in range(5)]
    for one in late:
        one.missed = 1
    assert interrupted([one for at in range(5) for one in (SOUND(12 * at), late[at])]) == []


def test_the_other_string_is_not_accused_for_resting_when_the_first_is_back() -> None:
    rests = under_load((-20.0, -0.2), (-40.0, -20.0))
    frames = [one(6 * at + late) for at in range(8) for late, one in enumerate((SOUND, PARTS, SOUND, rests))]
    assert [(one.subject, one.verdict) for one in interrupted(frames)] == [("string 2", "comes_and_goes")]
