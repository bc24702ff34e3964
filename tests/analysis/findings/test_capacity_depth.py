"""The loaded voltage deep in ordinary discharges, of a bank whose plates fade, and of others that do not."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
import pytest
from fold_tools import bank as small_bank
from frame_tools import START_MS, ground_of, limits_of, make_frame

from loggerd.analysis.findings import verdict_of
from loggerd.analysis.findings.capacity_depth import CapacityAtDepth
from loggerd.analysis.findings.capacity_sag import Sag, Week
from loggerd.analysis.findings.catalogue import Moment
from loggerd.analysis.findings.events import Resistance, SinceFull
from loggerd.analysis.frames import DAY_MS, Frame
from loggerd.model.finding import Finding, Grade
from loggerd.model.log_book import LogEntry, LogValue

BANK = small_bank(rated_amp_hours=100.0, blocks=4, cells=6)
LIMITS = limits_of()
CELLS = BANK.cells_in_series
Lower = Callable[[int, float, float], float]
"""Volts of a cell that are missing: of day, depth and amperes."""


def rolling(day: int) -> float:
    return 25.0 + 8.0 * math.sin(day / 30)


def yearly(day: int) -> float:
    """From summer into a winter 18 K colder, and back."""
    return 21.0 + 9.0 * math.cos(2.0 * math.pi * (day - 20) / 365.25)


def discharges(
    days: int,
    lower: Lower,
    deepest: float = 0.6,
    proven: bool = True,
    season: Callable[[int], float] = rolling,
    per_kelvin: float = 0.0,
) -> Iterator[Moment]:
    """Each day from full down to about the deepest share, at currents and temperatures that differ. `per_kelvin`: share
    of the capacity that is missing for each kelvin below 25 °C; the voltage bends down towards the end."""
    rng = np.random.default_rng(5)
    for day in range(days):
        full_ms, drawn = 0, 0.0
        amps, warm = 10.0 + 10.0 * rng.random(), season(day) + 2.0 * rng.random()
        end = (deepest - 0.05 * rng.random()) * 100.0
        for step in range(100):
            drawing = step > 0
            if drawn >= end:
                break
            drawn += amps / 12 if drawing else 0.0
            depth = drawn / 100.0
            ohms = 0.0006 * (1.0 + 0.9 * depth) * math.exp(-0.01 * (warm - 25.0))
            gone = depth / (1.0 + per_kelvin * (warm - 25.0))
            bent = 0.065 * (gone**3 - depth**3)
            volts = 2.12 - 0.17 * depth - ohms * amps - bent - lower(day, depth, amps) + rng.normal(0, 0.0005)
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
    found = judge(discharges(203, fading))
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


@pytest.mark.parametrize("per_kelvin", [0.006, 0.01])
def test_a_winter_is_no_loss_of_a_sound_bank(per_kelvin: float) -> None:
    def sound(day: int, depth: float, amps: float) -> float:
        return 0.0

    found = judge(discharges(400, sound, season=yearly, per_kelvin=per_kelvin))
    assert {one.verdict for one in found} == {"as_before"}


def test_a_loss_that_comes_with_the_winter_is_told_when_it_is_as_warm_again() -> None:
    def worn(day: int, depth: float, amps: float) -> float:
        return min(max(0.0, day - 100.0) / 150.0, 1.0) * 0.06 * depth**3

    found = judge(discharges(400, worn, season=yearly, per_kelvin=0.008))
    assert found[-1].verdict == "fallen"


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

    assert "fallen" in {one.verdict for one in judge(discharges(203, lower))}
    assert {one.verdict for one in judge(risen(discharges(203, lower)))} == {"as_before"}


def test_growth_after_a_quick_beginning_is_fading() -> None:
    quick = Sag([[value, 0.55, 0.0] for value in (0.0, 0.5, 0.0, 0.5, 5.0, 5.0, 5.0, 5.0, 6.0, 6.0, 6.0)])
    seen = quick.judge()
    assert seen is not None and seen.verdict == "jumped"
    grown = Sag([*quick.weeks, *([value, 0.55, 0.0] for value in (12.0, 20.0, 25.0, 26.0, 30.0))])
    seen = grown.judge()
    assert seen is not None and seen.verdict == "fallen"


@pytest.mark.parametrize(
    ("depth", "kelvin", "word"),
    [(0.75, 8.0, "as_before"), (0.75, 1.0, "jumped"), (0.5, 14.0, "as_before"), (0.5, 8.0, "jumped")],
)
def test_deep_in_a_discharge_the_cold_alone_is_no_loss(depth: float, kelvin: float, word: str) -> None:
    seen = Sag([[6.0, depth, -kelvin]] * 4).judge()
    assert seen is not None and seen.verdict == word


def week_by_week(values: list[float]) -> list[str]:
    """Verdicts of a sag that gets one value a week, as it keeps them, over a restart each week."""
    sag, verdicts = Sag(), list[str]()
    for value in values:
        week = Week.empty(10)
        for _ in range(3):
            week.add(0, 0.0, 0.0)
            week.add(5, -value / 1000.0, 0.0)
        sag.close(week, [5], 2, 0.0)
        sag = Sag.from_plain(json.loads(json.dumps(sag.to_plain())))
        seen = sag.judge()
        verdicts += [seen.verdict] if seen else []
        assert len(sag.weeks) <= 60
    return verdicts


def test_how_it_came_is_remembered_when_its_beginning_is_no_longer_kept() -> None:
    crept = [0.0] * 10 + [0.3 * week for week in range(30)] + [9.0] * 80
    assert week_by_week(crept)[40:] == ["fallen"] * 77
    jumped = week_by_week([0.0] * 10 + [6.0] * 40 + [3.0] * 70)
    assert set(jumped[15:]) == {"jumped"}


def test_how_it_came_is_forgotten_when_the_fall_ends() -> None:
    again = week_by_week([0.4 * week for week in range(20)] + [0.0] * 70 + [7.0] * 30)
    assert again[16] == "fallen" and again[30] == "as_before" and again[-1] == "jumped"


def test_what_scatters_about_the_limit_is_not_told() -> None:
    """The middle is past the limit, the whole band is not."""
    assert set(week_by_week([0.0] * 6 + [2.0, 7.0] * 8)) == {"as_before"}


def swapped_on(moments: Iterator[Moment], day: int) -> Iterator[Moment]:
    done = False
    for moment in moments:
        at_ms = moment.frame.start_ms
        if not done and at_ms - START_MS >= day * DAY_MS:
            done = True
            data: dict[str, LogValue] = {"position": 2.0, "new_serial": "b"}
            swap = LogEntry("one", "bank", "block_swapped", at_ms + 1000, "keeper", data)
            moment = replace(moment, entries=(swap,))  # noqa: PLW2901
        yield moment


@pytest.mark.parametrize("day", range(203, 210, 2))
def test_a_swap_withdraws_what_was_told_and_begins_anew(day: int) -> None:
    """Whichever part of the week it is."""

    def worn(at: int, depth: float, amps: float) -> float:
        return fading(at, depth, amps) if at < day else 0.0

    def told(found: list[Finding]) -> list[tuple[int, str]]:
        return [((one.at.at_ms - START_MS) // DAY_MS, one.verdict) for one in found]

    found = judge(swapped_on(discharges(day + 100, worn), day))
    verdicts = told(found)
    at = verdicts.index((day, "cannot_tell"))
    assert verdicts[at - 1][1] == "fallen"
    assert found[at].grade is Grade.CANNOT_TELL and found[at].value is None
    assert verdict_of(found[at]).weight == 0
    assert {verdict for _, verdict in verdicts[at + 1 :]} == {"as_before"}
    assert verdicts[at + 1][0] >= day + 56


def test_a_swap_empties_the_week_that_runs() -> None:
    """What the old blocks left there would be held against the first weeks of the new ones."""
    topic, before = CapacityAtDepth(ground_of(BANK)), 0.0
    for moment in swapped_on(discharges(100, lambda *_: 0.0), 97):
        topic.push(moment)
        frames = topic.to_plain()["week"]["warm"][1]
        if moment.entries:
            break
        before = frames
    assert before > 0.0 and frames == 0.0


def test_a_swap_that_nothing_was_told_before_is_not_told() -> None:
    assert judge(swapped_on(discharges(50, fading), 30)) == []


def memory_after(gap_frames: int) -> float:
    """What is remembered of an hour's draw after a gap and one frame at rest."""
    topic = CapacityAtDepth(ground_of(BANK))
    for step in range(12):
        topic.push(Moment(make_frame(BANK, step, -20.0, 2.0 * CELLS), LIMITS, [], None))
    frame = make_frame(BANK, 12 + gap_frames, 0.0, 2.0 * CELLS, missed=gap_frames)
    topic.push(Moment(frame, LIMITS, [], None))
    memory = topic.to_plain()["memory"]
    assert isinstance(memory, float)
    return memory


def test_the_memory_of_the_current_fades_through_a_gap() -> None:
    assert memory_after(0) == pytest.approx(0.2 * (1.0 - math.exp(-1.0)) * math.exp(-1.0 / 12.0))
    assert memory_after(60) == pytest.approx(memory_after(0) * math.exp(-5.0))
