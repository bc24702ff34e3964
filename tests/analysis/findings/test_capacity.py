"""Capacities by hand: full discharges, shorter ones, refusals, and words that never contradict each other."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import replace

import pytest
from fold_tools import bank as small_bank
from frame_tools import Pipeline, ground_of, limits_of, make_frame, restarts_change_nothing
from given_full import FULL_VOLTS, GivenFull

from loggerd.analysis.findings import capacity_rules as rules
from loggerd.analysis.findings.capacity import CapacityTopic
from loggerd.analysis.findings.events import Capacity
from loggerd.analysis.findings.swings import Swings
from loggerd.analysis.frames import FRAME_MS, Frame
from loggerd.model.finding import Finding, Grade

BANK = small_bank(rated_amp_hours=100.0, blocks=4, cells=6)
GROUND = ground_of(BANK)
LIMITS = limits_of(peukert_exponent=1.2, rating_celsius=25.0)


class LikelyFull(GivenFull):
    proven = False


def curve(fraction: float) -> float:
    """Volts per cell of a bank that has given this fraction of what it has, 1.75 V at 1."""
    return 2.08 - 0.13 * fraction - 0.2 * fraction**12


def cycle(
    capacity: float,
    to: float = 1.02,
    amps: float = 5.0,
    celsius: float = 25.0,
    start: int = 0,
    missed_at: float | None = None,
) -> list[Frame]:
    """A full hour, a discharge to a fraction of `capacity` [Ah], and a recharge until full."""
    frames = [make_frame(BANK, start + number, 0.5, FULL_VOLTS, celsius=celsius) for number in range(12)]
    position, drawn, missed = start + 12, 0.0, 0
    while drawn / capacity < to:
        if missed_at is not None and missed == 0 and drawn / capacity > missed_at:
            missed, position = 6, position + 6
            frames.append(make_frame(BANK, position, -amps, 24 * curve(drawn / capacity), celsius=celsius, missed=6))
        else:
            frames.append(make_frame(BANK, position, -amps, 24 * curve(drawn / capacity), celsius=celsius))
        drawn, position = drawn + amps / 12, position + 1
    frames += [make_frame(BANK, position + number, 10.0, 54.0, celsius=celsius) for number in range(int(drawn * 1.3))]
    return frames


def after(frames: list[Frame]) -> int:
    return frames[-1].number - frames[0].number + 1


def judge(
    frames: Iterable[Frame], full: type[GivenFull] = GivenFull, limits: dict[str, float] | None = None
) -> tuple[list[Finding], list[Capacity]]:
    pipeline = Pipeline(GROUND, limits or LIMITS, full, Swings, CapacityTopic)
    found = pipeline.run(frames)
    return found, [event for event in pipeline.events if isinstance(event, Capacity)]


def last(found: Iterable[Finding], name: str) -> Finding:
    return [one for one in found if one.name == name][-1]


def names(found: Iterable[Finding]) -> set[str]:
    return {one.name for one in found}


@pytest.mark.parametrize(("capacity", "verdict"), [(100.0, "sound"), (86.0, "watch"), (74.0, "low")])
def test_a_discharge_to_the_end_voltage_is_the_capacity(capacity: float, verdict: str) -> None:
    found, events = judge(cycle(capacity))
    observed, summary = last(found, "capacity.observed"), last(found, "capacity.summary")
    assert (observed.verdict, summary.verdict) == (verdict, verdict)
    assert observed.grade is Grade.OBSERVED
    assert observed.value == pytest.approx(capacity, rel=0.01)
    assert observed.low is not None and observed.high is not None
    assert observed.low < capacity < observed.high
    assert summary.value == pytest.approx(capacity, rel=0.01)
    assert events[0].raw_amp_hours == pytest.approx(capacity, rel=0.01)
    assert events[0].hours_rate == pytest.approx(capacity / 5, rel=0.01)


def test_a_while_without_a_current_leaves_the_figures_whole() -> None:
    """The shunt is silent for half an hour in the middle, while another instrument goes on with the voltages."""
    frames = cycle(100.0)
    silent = [
        make_frame(BANK, place, float("nan"), frame.volts, covered_ms=0) if 60 <= place < 66 else frame
        for place, frame in enumerate(frames)
    ]
    pipeline = Pipeline(GROUND, LIMITS, GivenFull, Swings, CapacityTopic)
    pipeline.run(silent[:200])
    assert "NaN" not in json.dumps(pipeline.topics[-1].to_plain())


def test_temperature_and_rate_are_taken_out_within_their_range() -> None:
    found, _ = judge(cycle(90.0, amps=8.0, celsius=15.0))
    observed = last(found, "capacity.observed")
    at_25 = 90.0 / (1 - 0.006 * 10)
    assert observed.value == pytest.approx(at_25 * (8 / 5) ** 0.2, rel=0.01)


def test_where_only_the_air_is_read_the_band_holds_blocks_ten_kelvin_off_it() -> None:
    by_block, by_air = (
        last(judge(cycle(90.0, celsius=celsius))[0], "capacity.observed") for celsius in (20.0, float("nan"))
    )
    assert by_air.value == by_block.value
    assert "the air's" in by_air.reason
    assert "the air's" not in by_block.reason
    assert by_air.low is not None and by_air.high is not None
    # 0.6 % for each kelvin (as in the test before): blocks of 25 °C and those of 10 °C.
    assert by_air.low < 90.0 < 90.0 / (1 - 0.006 * 15) < by_air.high
    assert by_block.high is not None and by_block.high < 90.0 / (1 - 0.006 * 15)


def test_a_current_far_from_the_rated_one_gives_no_percentage() -> None:
    found, _ = judge(cycle(60.0, amps=25.0))
    assert last(found, "capacity.observed").verdict == "other_rate"
    assert last(found, "capacity.observed").value == pytest.approx(60, rel=0.02)
    summary = last(found, "capacity.summary")
    assert (summary.verdict, summary.value) == ("cannot_tell", None)


def test_at_such_a_current_a_bank_is_judged_by_its_own_past() -> None:
    first = cycle(60.0, amps=25.0)
    second = cycle(42.0, to=1.05, amps=25.0, start=after(first))
    found, _ = judge([*first, *second])
    observed = last(found, "capacity.observed")
    assert observed.verdict == "fallen"
    assert "69 %" in observed.reason


@pytest.mark.parametrize(
    ("frames", "full", "word"),
    [
        (cycle(100.0), LikelyFull, "not proven"),
        (cycle(100.0, missed_at=0.95), GivenFull, "last tenth"),
        (cycle(100.0, celsius=2.0), GivenFull, "temperature"),
    ],
)
def test_what_spoils_a_discharge_is_named(frames: list[Frame], full: type[GivenFull], word: str) -> None:
    found, events = judge(frames, full)
    refused = last(found, "capacity.observed")
    assert (refused.verdict, refused.grade) == ("cannot_tell", Grade.CANNOT_TELL)
    assert word in refused.reason
    assert not events


def test_a_refusal_does_not_hide_what_is_known() -> None:
    first = cycle(100.0)
    found, _ = judge([*first, *cycle(100.0, celsius=2.0, start=after(first))])
    assert last(found, "capacity.observed").verdict == "sound"


def test_a_dip_by_an_inrush_is_not_the_end() -> None:
    frames = cycle(100.0, to=0.97)
    place = next(place for place, frame in enumerate(frames) if frame.volts < 24 * 1.86)
    lows = frames[place].lows.copy()
    lows[0], lows[1] = -60.0, 24 * 1.6
    frames[place] = replace(frames[place], lows=lows)
    found, _ = judge(frames)
    assert "capacity.observed" not in names(found)


def test_loads_let_go_within_a_frame_at_the_end_voltage_is_the_end() -> None:
    frames = cycle(100.0, to=0.97)
    place = max(place for place, frame in enumerate(frames) if frame.amps < 0)
    lows = frames[place].lows.copy()
    lows[1] = 24 * 1.745
    frames[place] = replace(frames[place], lows=lows)
    found, _ = judge(frames)
    assert last(found, "capacity.observed").value == pytest.approx(97, abs=1)


def test_a_shallow_discharge_is_silent() -> None:
    found, events = judge([*cycle(100.0, to=0.4), *cycle(100.0, to=0.1, start=500)])
    assert not {name for name in names(found) if name != "capacity.summary"}
    assert not events


def test_without_an_own_curve_a_shorter_discharge_says_what_is_missing() -> None:
    found, _ = judge(cycle(100.0, to=0.7))
    inferred = last(found, "capacity.inferred")
    assert inferred.verdict == "cannot_tell"
    assert "1.75 V per cell" in inferred.reason


@pytest.mark.parametrize(("capacity", "verdict"), [(100.0, "sound"), (87.0, "watch"), (72.0, "low")])
def test_a_shorter_discharge_is_stretched_onto_the_own_curve(capacity: float, verdict: str) -> None:
    first = cycle(100.0)
    found, events = judge([*first, *cycle(capacity, to=0.8, start=after(first))])
    inferred = last(found, "capacity.inferred")
    assert (inferred.verdict, inferred.grade) == (verdict, Grade.INFERRED)
    assert inferred.value == pytest.approx(capacity, rel=0.03)
    assert events[-1].witness == "inferred"
    assert events[-1].low < capacity < events[-1].high


def test_what_was_inferred_never_contradicts_what_was_observed() -> None:
    """The stretched curve reads too high where acid is locked: it may not call a bank sound that a discharge to the
    end voltage has called low."""
    first, second = cycle(100.0), cycle(74.0)
    second = cycle(74.0, start=after(first))
    third = cycle(97.0, to=0.7, start=after(first) + after(second))
    found, _ = judge([*first, *second, *third])
    assert last(found, "capacity.inferred").verdict == "cannot_tell"
    assert last(found, "capacity.summary").verdict == "low"


def test_after_a_week_without_a_witness_the_summary_says_what_is_missing() -> None:
    frames = [make_frame(BANK, number, -0.1, 50.0) for number in range(9 * 288)]
    found, _ = judge(frames)
    summary = [one for one in found if one.name == "capacity.summary"]
    assert [one.verdict for one in summary] == ["cannot_tell"]
    assert "1.75 V per cell" in summary[0].reason


def test_restarts_change_nothing_at_all() -> None:
    first = cycle(100.0)
    second = cycle(80.0, to=0.8, start=after(first))
    found = restarts_change_nothing(GROUND, LIMITS, [GivenFull, Swings, CapacityTopic], [*first, *second])
    assert names(found) >= {"capacity.observed", "capacity.inferred", "capacity.summary"}


def test_a_day_of_frames_costs_no_state() -> None:
    pipeline = Pipeline(GROUND, LIMITS, GivenFull, Swings, CapacityTopic)
    start = 0
    sizes = []
    for _ in range(3):
        frames = cycle(90.0, start=start)
        start += after(frames)
        pipeline.run(frames)
        sizes.append(len(str(pipeline.topics[-1].to_plain())))
    assert sizes[2] < 1.2 * sizes[1] < 40_000
    assert FRAME_MS == 300_000


class TestArithmetic:
    """Published worked examples; the source is named beside each."""

    def test_temperature_by_iec_60896(self) -> None:
        """C / (1 + L (T - Tref)), IEC 60896 (form as read in a secondary text; arithmetic our own)."""
        assert rules.at_rating_temperature(90.0, 30.0, 20.0, 0.006) == pytest.approx(84.906, abs=1e-3)
        assert rules.at_rating_temperature(90.0, 30.0, 25.0, 0.006) == pytest.approx(87.379, abs=1e-3)
        assert rules.at_rating_temperature(90.0, 30.0, 20.0, 0.01) == pytest.approx(81.818, abs=1e-3)

    def test_peukert_with_an_hour_rating(self) -> None:
        """100 Ah at 20 h, k 1.2, 10 A: 8.7 h (encyclopedia article, from memory)."""
        assert rules.peukert_hours(100.0, 20.0, 1.2, 10.0) == pytest.approx(8.7055, abs=1e-4)
        assert rules.peukert_hours(250.0, 20.0, 1.3, 20.0) == pytest.approx(10.856, abs=1e-3)

    @pytest.mark.parametrize("exponent", [1.0, 1.05, 1.2, 1.4])
    def test_the_rated_current_gives_the_rated_hours(self, exponent: float) -> None:
        assert rules.peukert_hours(330.0, 20.0, exponent, 330.0 / 20) == pytest.approx(20.0, rel=1e-12)
        assert rules.at_rated_rate(300.0, 16.5, 16.5, exponent) == 300.0

    def test_the_exponent_of_a_published_block(self) -> None:
        """6 V flooded block, data sheet: C5 271, C10 304, C20 330, C100 367 Ah; 711 min at 25 A, 195 min at 75 A."""

        def exponent(first: tuple[float, float], second: tuple[float, float]) -> float:
            (ah, hours), (other, other_hours) = first, second
            return rules.peukert_exponent(ah / hours, hours, other / other_hours, other_hours)

        k = exponent((271, 5), (330, 20))
        assert k == pytest.approx(1.1656, abs=1e-4)
        assert exponent((330, 20), (367, 100)) == pytest.approx(1.0707, abs=1e-4)
        assert exponent((304, 10), (330, 20)) == pytest.approx(1.1343, abs=1e-4)
        assert rules.peukert_exponent(25, 711 / 60, 75, 195 / 60) == pytest.approx(1.1776, abs=1e-4)
        assert rules.peukert_hours(330, 20, k, 75) * 60 == pytest.approx(205.4, abs=0.1)
        assert rules.peukert_hours(330, 20, k, 25) * 60 == pytest.approx(739.3, abs=0.1)
        assert rules.at_rated_rate(304, 30.4, 16.5, k) == pytest.approx(330, rel=0.06)

    def test_the_usual_rules_for_a_percentage(self) -> None:
        """Yearly tests below 90 %, replacement below 80 %: IEEE 450 and 1188 as read in handbooks (TM 5-684)."""
        grades = [rules.capacity_grade(one, 0.9, 0.8) for one in (1.0, 0.91, 0.89, 0.81, 0.8, 0.799)]
        assert grades == ["sound", "sound", "watch", "watch", "watch", "low"]
