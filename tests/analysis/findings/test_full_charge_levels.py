"""Which of the voltages of a charge is absorption, which is float, and which is neither."""

from __future__ import annotations

from math import exp

import pytest
from frame_tools import Pipeline, ground_of
from test_doubts import order, told
from test_full_charge import BANK, HOLD, LIMITS, SLOPE, Day, last, run

from loggerd.analysis.findings.full_charge import FullCharge
from loggerd.analysis.findings.full_charge_plateaus import Plateaus
from loggerd.analysis.findings.full_charge_reading import Reading
from loggerd.analysis.frames import FRAME_MS
from loggerd.model.bank import Accuracy

RATED = 200.0
LEAST = LIMITS["float_volts_per_cell"]


def cycle(day: Day, hold: float, celsius: float = 25.0, finish: float | None = None) -> None:
    """A day of use, a charge, and where asked for a finishing current of 5 A that falls to 3 A at that voltage."""
    day.discharge(60.0)
    day.bulk(42.0, hold, celsius)
    day.tail(4, 1.2, 1.5, hold, celsius)
    if finish is not None:
        for number in range(12):
            day.add(5.0, hold + (finish - hold) * number / 12, celsius)
        for number in range(12):
            day.add(5.0 - 2.0 * number / 12, finish, celsius)
    day.rest(2)


@pytest.mark.parametrize(("shift", "verdict"), [(0.0, "right"), (-0.08, "low"), (0.08, "high")])
def test_a_finishing_step_is_not_taken_for_absorption(shift: float, verdict: str) -> None:
    day = Day()
    for _ in range(5):
        cycle(day, HOLD + shift, finish=2.65 + shift)
    found = last(run(day)[0], "full_charge.set_points")
    assert found.verdict == verdict
    assert found.value == pytest.approx(shift, abs=0.003)


def held(rows: list[tuple[float, float]]) -> Plateaus:
    """Of (amps, volts per cell) by frame, at 25 °C."""
    plateaus = Plateaus()
    for place, (amps, volts) in enumerate(rows):
        plateaus.add(Reading(place * FRAME_MS, amps, volts, volts, volts, 25.0, 25.0, 0.05))
    return plateaus


def fall(amps: float, hours: float, volts: float) -> list[tuple[float, float]]:
    return [(amps * exp(-number / 12), volts) for number in range(round(12 * hours))]


def test_a_voltage_reached_with_a_large_current_is_absorption_however_high() -> None:
    """A cloud held the bank lower before, for half an hour."""
    cloud, sun = fall(12.0, 0.6, 2.30), fall(30.0, 3.0, 2.60)
    seen = held(cloud + sun).absorption(RATED, LEAST)
    assert seen is not None
    assert seen.volts == pytest.approx(2.60)


def test_a_very_low_absorption_is_known_by_the_step_down_to_float() -> None:
    low = LEAST - 0.02
    alone = fall(20.0, 4.0, low)
    assert held(alone).absorption(RATED, LEAST) is None
    seen = held(alone + [(0.2, low - 0.12)] * 30).absorption(RATED, LEAST)
    assert seen is not None
    assert seen.volts == pytest.approx(low)


def test_a_surface_charge_that_dies_away_is_no_float() -> None:
    dies = [(0.2, LEAST - 0.03 * number / 60) for number in range(60)]
    assert held(dies).float_level(RATED, LEAST - 0.1, HOLD, 0.0) is None
    assert held([(0.2, LEAST)] * 60).float_level(RATED, LEAST - 0.1, HOLD, 0.0) is not None


def test_what_stands_before_the_charger_comes_on_is_no_float() -> None:
    stands = [(0.2, LEAST - 0.03)] * 40
    assert held(stands).float_level(RATED, LEAST - 0.1, HOLD, 0.0) is not None
    assert held(stands + fall(30.0, 3.0, HOLD)).float_level(RATED, LEAST - 0.1, HOLD, 0.0) is None


def test_voltages_that_do_not_come_back_are_no_setting() -> None:
    day = Day()
    for number in range(5):
        cycle(day, HOLD - 0.05 - 0.02 * (number % 3))
    assert last(run(day)[0], "full_charge.set_points").verdict == "cannot_tell"


FLOAT = LEAST + 0.01


@pytest.mark.parametrize(("peak", "verdict"), [(HOLD, "right"), (FLOAT, "low")])
def test_an_absorption_of_minutes_leaves_the_set_point_as_it_was(peak: float, verdict: str) -> None:
    """Full charges with float after them; then charges that are held at the voltage of float only. Where they went up
    to absorption for some minutes, that was cut short; where they never did, the charger holds too little."""
    day = Day()
    for number in range(10):
        day.discharge(60.0)
        if number < 5:
            day.bulk(42.0, HOLD)
            day.tail(4, 1.2, 1.5, HOLD)
            held_amps = 0.3
        else:
            day.bulk(42.0, peak)
            day.add(30.0, peak)
            held_amps = 20.0
        for place in range(60):
            day.add(max(0.3, held_amps * exp(-place / 12)), FLOAT)
        day.rest(2)
    assert last(run(day)[0], "full_charge.set_points").verdict == verdict


def test_a_charger_within_one_per_cent_is_right_and_one_at_the_limit_does_not_come_and_go() -> None:
    """1 % of the charging voltage is 25 mV per cell; the meter's own error of 3 to 4 mV comes on top."""
    day = Day()
    for _ in range(5):
        cycle(day, HOLD + 0.026)
    assert last(run(day)[0], "full_charge.set_points").verdict == "right"
    for shift in (*[0.034] * 6, *[0.027, 0.026, 0.028] * 4):
        cycle(day, HOLD + shift)
    told_of = [one.verdict for one in run(day)[0] if one.name == "full_charge.set_points"]
    assert "high" in told_of
    assert set(told_of[told_of.index("high") :]) == {"high"}
    for _ in range(6):
        cycle(day, HOLD + 0.015)
    assert last(run(day)[0], "full_charge.set_points").verdict == "right"


@pytest.mark.parametrize(("shift", "verdict"), [(0.018, "high"), (0.009, "right")])
def test_with_a_voltmeter_of_one_per_cent_what_was_told_ends_at_half_the_tolerance(shift: float, verdict: str) -> None:
    """Its error is as large as the tolerance: less that, nothing would be left, and no setting ever right again."""
    day = Day()
    for number in range(16):
        cycle(day, HOLD + (0.08 if number < 6 else shift))
    ground = ground_of(BANK, {"volts": Accuracy(gain=0.01, offset=0.1)})
    found = Pipeline(ground, LIMITS, FullCharge).run(day.frames)
    told_of = [one.verdict for one in found if one.name == "full_charge.set_points"]
    assert "high" in told_of
    assert told_of[-1] == verdict


def test_a_compensation_that_is_lost_is_told_though_the_voltage_hardly_steps() -> None:
    """At the temperature of that week the charger holds almost what it held; from then on it holds that in any."""
    day = Day()
    warmths = [14.0 + 0.9 * (7 * number % 10) for number in range(50)]
    for celsius in warmths:
        cycle(day, HOLD + SLOPE * (celsius - 25.0), celsius=celsius)
    assert last(run(day)[0], "full_charge.compensation").verdict == "as_preset"
    for celsius in warmths[:13]:
        cycle(day, HOLD + SLOPE * (24.0 - 25.0), celsius=celsius)
    assert last(run(day)[0], "full_charge.compensation").verdict == "none"


def test_in_great_heat_no_set_point_is_judged() -> None:
    day = Day()
    for _ in range(5):
        cycle(day, HOLD + SLOPE * 35.0 - 0.05, celsius=60.0)
    assert last(run(day)[0], "full_charge.set_points").verdict == "cannot_tell"


def test_undercharge_comes_behind_the_low_set_point_that_leads_to_it() -> None:
    under = told("full_charge.undercharge", "chronic")
    assert order(under, told("full_charge.set_points", "low")) == ["full_charge.set_points", "full_charge.undercharge"]
    assert order(under, told("full_charge.set_points", "high"))[0] == "full_charge.undercharge"


def test_a_low_set_point_comes_behind_the_fault_that_heats_the_block_its_probe_may_sit_on() -> None:
    low, cause = told("full_charge.set_points", "low"), told("blocks.cause", "self_discharge", "block 1")
    assert order(low, cause)[0] == "full_charge.set_points"
    for block, first in ((1, "blocks.cause"), (2, "full_charge.set_points")):
        assert order(low, cause, told("heat.spread", "hot_block", f"block {block}"))[0] == first
