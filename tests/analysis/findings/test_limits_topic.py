"""Plain limits on voltage: a motor start fools nobody, an empty bank is told, with the hours that are left."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fold_tools import bank as small_bank
from frame_tools import START_MS, Pipeline, ground_of, limits_of, make_frame, restarts_change_nothing

from loggerd.analysis.findings.events import Capacity, SinceFull
from loggerd.analysis.findings.limits_left import Left, by_count, by_fall, lesser
from loggerd.analysis.findings.limits_topic import LimitsWatch
from loggerd.analysis.frames import Frame, Step
from loggerd.model.finding import Finding, Grade

BANK = small_bank(200.0, blocks=4, cells=6)
CELLS = 24
OHMS = 0.024
LIMITS = limits_of(BANK.type)


def steps(count: int) -> tuple[Step, ...]:
    """Load steps of the bank's true resistance."""
    found = []
    for number in range(count):
        volts = np.full(len(make_frame(BANK, 0, 0.0, 50.0).means), np.nan)
        amps = -20.0 - number
        volts[1] = amps * OHMS
        found.append(Step.of(START_MS, "meter", amps, volts, 1.0))
    return tuple(found)


def frame(position: int, amps: float, inner_volts_per_cell: float, *, count: int = 0, celsius: float = 25.0) -> Frame:
    """A frame of a bank that has so much within, behind its resistance."""
    volts = CELLS * inner_volts_per_cell + amps * OHMS
    return make_frame(BANK, position, amps, volts, steps=steps(count), celsius=celsius)


def watch(frames: list[Frame]) -> list[Finding]:
    return restarts_change_nothing(ground_of(BANK), LIMITS, [LimitsWatch], frames)


def test_a_heavy_load_on_a_full_bank_is_no_low_voltage() -> None:
    heavy = -300.0
    assert CELLS * 2.05 / CELLS + heavy * OHMS / CELLS < LIMITS["low_volts_per_cell"]
    assert watch([frame(0, -20.0, 2.05, count=8), *(frame(one, heavy, 2.05) for one in range(1, 20))]) == []


def test_one_frame_is_not_enough() -> None:
    assert watch([frame(0, -20.0, 2.0, count=8), frame(1, -20.0, 1.8), frame(2, -20.0, 2.0)]) == []


def test_an_emptying_bank_is_low_then_empty_then_right_again() -> None:
    inner = [*np.linspace(2.0, 1.70, 60), *([1.80] * 6), *([2.05] * 6)]
    found = watch([frame(one, -20.0, volts, count=8 if one == 0 else 0) for one, volts in enumerate(inner)])
    deep = [one for one in found if one.name == "limits.deep_draws"]
    found = [one for one in found if one.name == "limits.low_voltage"]
    assert [one.verdict for one in found] == ["low", "empty", "normal"]
    assert [one.verdict for one in deep] == ["once", "once"]
    assert deep[-1].value == pytest.approx(1.70, abs=0.01)
    low = found[0]
    assert low.value is not None and low.value == pytest.approx(1.85, abs=0.02)
    assert low.low is not None and low.high is not None and low.low < low.value < low.high
    assert low.grade is Grade.OBSERVED
    hours = next(one for one in low.details if one.name == "hours_left")
    # 0.1 V to go at 0.061 V an hour
    assert hours.low is not None and hours.high is not None
    assert hours.low < 1.6 < hours.high + 0.1


def test_without_steps_the_usual_resistance_is_put_back_and_said_so() -> None:
    found = watch([frame(one, -10.0, 1.6) for one in range(4)])
    found = [one for one in found if one.name == "limits.low_voltage"]
    assert [one.verdict for one in found] == ["empty"]
    assert found[0].grade is Grade.INFERRED
    assert "usual resistance" in found[0].reason


def test_a_gap_or_a_frame_hardly_covered_does_not_count() -> None:
    begun = [frame(0, -20.0, 2.0, count=8), frame(1, -20.0, 1.8)]
    assert watch([*begun, replace(frame(2, -20.0, 1.8), after_unknown=True)]) == []
    assert watch([*begun, replace(frame(2, -20.0, 1.8), covered_ms=60_000)]) == []
    assert [one.verdict for one in watch([*begun, frame(2, -20.0, 1.8)])] == ["low"]


def test_too_high_is_told_after_two_frames_and_once() -> None:
    high = LIMITS["high_volts_per_cell"] + 0.05
    frames = [make_frame(BANK, one, 20.0, CELLS * high) for one in range(6)]
    frames += [make_frame(BANK, one, 20.0, CELLS * 2.4) for one in range(6, 12)]
    assert [one.verdict for one in watch(frames)] == ["high", "normal"]
    assert watch(frames[:1]) == []


def test_in_the_cold_the_limit_is_higher() -> None:
    high = LIMITS["high_volts_per_cell"] + 0.05
    cold = [make_frame(BANK, one, 20.0, CELLS * high, celsius=5.0) for one in range(6)]
    assert watch(cold) == []


def test_hours_by_count() -> None:
    full = SinceFull(0, True, 150.0, 0.0, 0)
    rated = by_count(10.0, full, None, 200.0)
    assert rated is not None
    assert (rated.hours, rated.low, rated.high) == pytest.approx((5.0, 0.528, 9.472), abs=0.01)
    known = Capacity(0, "observed", 160.0, 150.0, 170.0, 160.0, 25.0, 10.0)
    left = by_count(10.0, full, known, 200.0)
    assert left is not None and left.hours == pytest.approx(1.0) and left.low == 0.0
    assert by_count(10.0, None, None, 200.0) is None
    assert by_count(0.0, full, None, 200.0) is None


def test_hours_by_the_fall_of_the_voltage() -> None:
    quarter = [1.90, 1.89, 1.88, 1.87]
    left = by_fall(quarter, 1.75)
    assert left is not None
    assert left.high == pytest.approx(0.12 / 0.12)
    assert left.low == pytest.approx(0.5)
    assert by_fall(quarter[:3], 1.75) is None
    assert by_fall([1.8, 1.8, 1.8, 1.8], 1.75) is None
    assert by_fall([1.8, 1.76, 1.74, 1.70], 1.75) == Left(0.0, 0.0, 0.0)


def test_the_lesser_holds_and_its_band_holds_it() -> None:
    assert lesser(None, None) is None
    both = lesser(Left(5.0, 1.0, 9.0), Left(2.0, 1.5, 3.0))
    assert both == Left(2.0, 1.0, 3.0)
    apart = lesser(Left(5.0, 4.0, 6.0), Left(2.0, 1.0, 3.0))
    assert apart is not None and apart.low <= apart.hours <= apart.high


def test_blocks_stand_in_for_a_bank_that_is_not_read_as_a_whole() -> None:
    pipeline = Pipeline(ground_of(BANK), LIMITS, LimitsWatch)
    frames = []
    for position in range(4):
        one = frame(position, -20.0, 1.8)
        means = one.means.copy()
        means[1] = np.nan
        told = []
        for step in steps(8) if position == 0 else ():
            volts = step.volts.copy()
            volts[one.layout.block_volts], volts[1] = volts[1] / 4, np.nan
            told.append(Step.of(step.at_ms, step.device, step.amps, volts, step.interval_seconds))
        frames.append(replace(one, means=means, lows=means, highs=means, steps=tuple(told)))
    found = pipeline.run(frames)
    assert [one.verdict for one in found] == ["low"]
    assert found[0].value == pytest.approx(1.8, abs=1e-3)


def _drawn_empty(position: int) -> list[Frame]:
    """Half an hour empty, then charged again."""
    return [
        frame(position + one, -20.0, 1.70 if one < 6 else 2.05, count=8 if not position else 0) for one in range(12)
    ]


def test_draws_to_empty_are_told_until_four_weeks_after_the_last() -> None:
    day = 288
    frames = [*_drawn_empty(0), *_drawn_empty(2 * day)]
    frames += [frame(position, -0.1, 2.05) for position in (29 * day, 31 * day)]
    deep = [one for one in watch(frames) if one.name == "limits.deep_draws"]
    assert [one.verdict for one in deep] == ["once", "once", "repeatedly", "repeatedly", "once", "within"]
    assert deep[3].details[0].value == 2.0
    told = [one for one in deep if one.value is not None]
    assert all(one.low is not None and one.low < one.value < (one.high or 0.0) for one in told)


def test_two_draws_within_hours_are_one() -> None:
    deep = [one for one in watch([*_drawn_empty(0), *_drawn_empty(48)]) if one.name == "limits.deep_draws"]
    assert {one.verdict for one in deep} == {"once"}
