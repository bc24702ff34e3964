"""The loaded voltage deep in ordinary discharges, of a bank whose plates fade, and of others that do not."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator

import numpy as np
import pytest
from fold_tools import bank as small_bank
from frame_tools import ground_of, limits_of, make_frame

from loggerd.analysis.findings import verdict_of
from loggerd.analysis.findings.capacity_depth import CapacityAtDepth
from loggerd.analysis.findings.capacity_sag import Sag
from loggerd.analysis.findings.catalogue import Moment
from loggerd.analysis.findings.events import Resistance, SinceFull
from loggerd.analysis.frames import DAY_MS, Frame
from loggerd.model.finding import Finding

BANK = small_bank(rated_amp_hours=100.0, blocks=4, cells=6)
LIMITS = limits_of()
CELLS = BANK.cells_in_series
Lower = Callable[[int, float, float], float]
"""Volts of a cell that are missing: of day, depth and amperes."""


def discharges(days: int, lower: Lower, deepest: float = 0.6, proven: bool = True) -> Iterator[Moment]:
    """Each day from full down to about the deepest share, at currents and temperatures that differ."""
    rng = np.random.default_rng(5)
    for day in range(days):
        full_ms, drawn = 0, 0.0
        amps, warm = 10.0 + 10.0 * rng.random(), 25.0 + 8.0 * math.sin(day / 30) + 2.0 * rng.random()
        end = (deepest - 0.05 * rng.random()) * 100.0
        for step in range(100):
            drawing = step > 0
            if drawn >= end:
                break
            drawn += amps / 12 if drawing else 0.0
            depth = drawn / 100.0
            ohms = 0.0006 * (1.0 + 0.9 * depth) * math.exp(-0.01 * (warm - 25.0))
            volts = 2.12 - 0.17 * depth - ohms * amps - lower(day, depth, amps) + rng.normal(0, 0.0005)
            volts = volts if drawing else 2.4
            frame = make_frame(BANK, day * 288 + step, -amps if drawing else 0.0, volts * CELLS, celsius=warm)
            full_ms = full_ms or frame.end_ms
            yield Moment(frame, LIMITS, [], SinceFull(full_ms, proven, drawn, 0.0, 0))


def judge(moments: Iterator[Moment]) -> list[Finding]:
    topic, found, last = CapacityAtDepth(ground_of(BANK)), list[Finding](), -1
    for moment in moments:
        found += topic.push(moment)
        day = moment.frame.start_ms // DAY_MS
        if day != last and day % 10 == 0:
            plain = json.loads(json.dumps(topic.to_plain(), allow_nan=False))
            topic = CapacityAtDepth(ground_of(BANK))
            topic.load_plain(plain)
            assert topic.to_plain() == plain
        last = day
    return found


def fading(day: int, depth: float, amps: float) -> float:
    """From day 70 on plates fade: a little lower all along, and more so deep down."""
    faded = min(max(0.0, day - 70.0) / 100.0, 1.0)
    return faded * (0.001 + 0.03 * depth**3)


def test_its_state_is_plain_from_the_start() -> None:
    json.dumps(CapacityAtDepth(ground_of(BANK)).to_plain(), allow_nan=False)


def test_plates_that_fade_show_deep_in_the_discharges() -> None:
    found = judge(discharges(175, fading))
    assert {one.verdict for one in found} == {"as_before", "fallen"}
    last = found[-1]
    assert verdict_of(last).cause == "loss of capacity"
    assert last.value is not None and last.low is not None and last.high is not None
    assert last.low <= last.value <= last.high
    assert last.value > 4.0


def joint(day: int, depth: float, amps: float) -> float:
    return 0.0005 * amps if day >= 90 else 0.0


def sensor(day: int, depth: float, amps: float) -> float:
    return 0.0001 * max(0, day - 70)


@pytest.mark.parametrize("lower", [lambda *_: 0.0, joint, sensor])
def test_a_sound_bank_a_joint_and_a_drifting_sensor_are_no_loss(lower: Lower) -> None:
    assert {one.verdict for one in judge(discharges(175, lower))} == {"as_before"}


def test_what_comes_at_once_is_no_fading() -> None:
    found = judge(discharges(175, lambda day, depth, _: 0.04 * depth**3 if day >= 90 else 0.0))
    assert {one.verdict for one in found} == {"as_before", "jumped"}
    assert verdict_of(found[-1]).weight == 0


def test_shallow_use_and_fulls_that_are_not_proven_say_nothing() -> None:
    assert judge(discharges(175, fading, deepest=0.28)) == []
    assert judge(discharges(175, fading, proven=False)) == []


def risen(moments: Iterator[Moment]) -> Iterator[Moment]:
    """With resistances that load steps show: three times as much in the end."""
    last, number = -1, -1
    for moment in moments:
        frame: Frame = moment.frame
        day = frame.start_ms // DAY_MS
        if day != last:
            number += 1
            ohms = 0.014 * (1.0 + 2.0 * min(max(0.0, number - 70.0) / 100.0, 1.0))
            moment.events.append(Resistance(frame.start_ms, frame.end_ms, ohms, (), 0.01, 9, 2.0, 25.0, 0.1))
        last = day
        yield moment


def test_resistance_that_has_risen_is_taken_out() -> None:
    """Three times the resistance is three times its growth with depth, which is no loss of plates."""

    def lower(day: int, depth: float, amps: float) -> float:
        return 0.0012 * (1.0 + 0.9 * depth) * amps * min(max(0.0, day - 70.0) / 100.0, 1.0)

    assert "fallen" in {one.verdict for one in judge(discharges(175, lower))}
    assert {one.verdict for one in judge(risen(discharges(175, lower)))} == {"as_before"}


def test_growth_after_a_quick_beginning_is_fading() -> None:
    quick = Sag([[value, 0.55, 0.0] for value in (0.0, 0.5, 0.0, 0.5, 5.0, 5.0, 5.0, 5.0, 6.0, 6.0, 6.0)])
    seen = quick.judge()
    assert seen is not None and seen.verdict == "jumped"
    grown = Sag([*quick.weeks, *([value, 0.55, 0.0] for value in (12.0, 20.0, 25.0, 26.0, 30.0))])
    seen = grown.judge()
    assert seen is not None and seen.verdict == "fallen"
