"""Full charges, from frames made by hand: what is proven, what is only likely, and what fools a fixed percentage."""

from __future__ import annotations

from collections.abc import Iterator
from math import exp, nan

import pytest
from fold_tools import bank as small_bank
from frame_tools import START_MS, Pipeline, ground_of, limits_of, make_frame, restarts_change_nothing

from loggerd.analysis.findings.catalogue import Moment
from loggerd.analysis.findings.events import BecameFull, ChargeEnded, SinceFull
from loggerd.analysis.findings.full_charge import FullCharge
from loggerd.analysis.findings.full_charge_returns import Returns
from loggerd.analysis.frames import DAY_MS, Frame
from loggerd.model.bank import Accuracy
from loggerd.model.finding import Finding

BANK = small_bank(rated_amp_hours=200.0)
LIMITS = limits_of()
CELLS = BANK.cells_in_series
HOLD = LIMITS["absorption_volts_per_cell"]
SLOPE = LIMITS["temperature_slope"]
GROUND = ground_of(BANK, {"amps": Accuracy(0.005, 0.02), "volts": Accuracy(0.001, 0.01)})


class Day:
    """Writes frames one after the other."""

    def __init__(self) -> None:
        self.frames: list[Frame] = []

    def add(self, amps: float, volts: float, celsius: float = 25.0, **more: object) -> None:
        self.frames.append(
            make_frame(BANK, len(self.frames), amps, volts * CELLS, celsius=celsius, **more)  # type: ignore[arg-type]
        )

    def discharge(self, amp_hours: float, hours: float = 10.0) -> None:
        for number in range(round(12 * hours)):
            self.add(-amp_hours / hours, 2.08 - 0.05 * number / (12 * hours))

    def bulk(self, amp_hours: float, hold: float = HOLD, celsius: float = 25.0) -> None:
        frames = round(12 * amp_hours / 30)
        for number in range(frames):
            self.add(30.0, 2.15 + (hold - 2.15) * number / frames, celsius)

    def tail(self, hours: float, fall: float, floor: float, hold: float = HOLD, celsius: float = 25.0) -> None:
        """Held: a current that falls from 30 A by `fall` an hour towards a floor of gas [A]."""
        for number in range(round(12 * hours)):
            self.add(floor + (30.0 - floor) * exp(-fall * number / 12), hold, celsius)

    def rest(self, hours: float) -> None:
        for number in range(round(12 * hours)):
            self.add(0.0, 2.15 - 0.004 * number if number < 10 else 2.11)


def last(found: list[Finding], name: str = "full_charge.last") -> Finding:
    return [one for one in found if one.name == name][-1]


def run(day: Day) -> tuple[list[Finding], Pipeline]:
    pipeline = Pipeline(GROUND, LIMITS, FullCharge)
    return pipeline.run(day.frames), pipeline


def one_charge(hours: float, fall: float, floor: float) -> Day:
    day = Day()
    day.discharge(60.0)
    day.bulk(40.0)
    day.tail(hours, fall, floor)
    day.rest(2)
    return day


def test_flat_small_tail_is_proof_and_is_told_while_the_charge_runs() -> None:
    found, pipeline = run(one_charge(8, 1.2, 2.0))
    assert last(found).verdict == "full_proven"
    became = [one for one in pipeline.events if isinstance(one, BecameFull)]
    ended = [one for one in pipeline.events if isinstance(one, ChargeEnded)]
    assert [one.proven for one in became] == [True]
    assert became[0].at_ms < ended[0].end_ms
    assert became[0].volts_per_cell == pytest.approx(HOLD)
    assert became[0].set_point_shift_volts == pytest.approx(0.0, abs=1e-9)
    assert ended[0].before_limit_amp_hours == pytest.approx(40.0, abs=2.6)


def test_charge_stopped_an_hour_early_ended_early() -> None:
    whole, _ = run(one_charge(3.0, 1.2, 1.0))
    early, pipeline = run(one_charge(1.5, 1.2, 1.0))
    assert last(whole).verdict != "ended_early"
    assert last(early).verdict == "ended_early"
    assert not [one for one in pipeline.events if isinstance(one, BecameFull)]


def test_early_taper_of_a_sulfated_bank_is_no_proof() -> None:
    """Under 2 % of the rated amp-hours, but still falling by 15 % an hour: a fixed percentage would call it full."""
    day = Day()
    day.discharge(60.0)
    day.bulk(20.0)
    for number in range(12 * 5):
        day.add(3.8 * exp(-0.15 * number / 12), HOLD)
    day.rest(2)
    found, pipeline = run(day)
    assert last(found).verdict == "unknown"
    assert "proves nothing" in last(found).reason
    assert not [one for one in pipeline.events if isinstance(one, BecameFull)]


def test_voltage_never_reached() -> None:
    day = Day()
    day.discharge(60.0)
    day.bulk(30.0, hold=2.30)
    day.rest(2)
    found, _ = run(day)
    assert (last(found).verdict, "not reached" in last(found).reason) == ("ended_early", True)


def test_readings_missing_make_it_unknown() -> None:
    day = Day()
    day.discharge(60.0)
    day.bulk(40.0)
    day.tail(1, 1.2, 1.0)
    day.frames.append(make_frame(BANK, len(day.frames) + 40, 0.0, 2.12 * CELLS, missed=40))
    found, _ = run(day)
    assert last(found).verdict == "unknown"
    assert "not read" in last(found).reason


def test_finishing_current_proves_by_a_voltage_that_no_longer_rises() -> None:
    """Constant current tells nothing by being constant: the voltage must have stopped."""
    for still_rising, verdict in ((False, "full_proven"), (True, "unknown")):
        day = Day()
        day.discharge(60.0)
        day.bulk(40.0)
        day.tail(2, 1.5, 4.0)
        for number in range(12 * 3):
            rise = 0.03 * number / 12 if still_rising else 0.1 * (1 - exp(-number / 6))
            day.add(6.0, HOLD + rise)
        day.rest(2)
        found, _ = run(day)
        assert last(found).verdict == verdict, still_rising


def cloudy(day: Day, hours: float, fall: float, floor: float) -> None:
    """Absorption with a load every 40 minutes that exceeds the sun: the battery's own current steps to negative."""
    for number in range(round(12 * hours)):
        if number % 8 == 7:
            day.add(-12.0, 2.20)
        else:
            day.add(floor + (30.0 - floor) * exp(-fall * number / 12), HOLD)


def test_loads_that_exceed_the_sun_neither_hide_nor_fake_a_full_charge() -> None:
    for fall, floor, hours, verdict in ((1.2, 2.0, 9.0, "full_proven"), (0.5, 0.2, 3.5, "ended_early")):
        day = Day()
        day.discharge(60.0)
        day.bulk(40.0)
        cloudy(day, hours, fall, floor)
        day.rest(2)
        found, _ = run(day)
        assert last(found).verdict == verdict


def test_since_full_is_set_on_every_frame_once_full_and_counts() -> None:
    day = one_charge(8, 1.2, 2.0)
    full_frames = len(day.frames)
    day.discharge(50.0)
    seen = []

    class Spy(FullCharge):
        def push(self, moment):  # type: ignore[no-untyped-def]
            found = super().push(moment)
            seen.append(moment.since_full)
            return found

    Pipeline(GROUND, LIMITS, Spy).run(day.frames)
    first = next(number for number, one in enumerate(seen) if one is not None)
    assert all(one is not None for one in seen[first:])
    assert seen[-1].out_amp_hours == pytest.approx(50.0, abs=0.01)
    assert seen[-1].proven
    assert seen[-1].at_ms <= day.frames[full_frames].start_ms


def test_hours_on_float_with_a_tiny_flat_current_are_proof() -> None:
    day = Day()
    day.discharge(40.0)
    day.bulk(34.0)
    day.tail(1.0, 1.2, 0.5)
    for _ in range(12 * 8):
        day.add(0.3, LIMITS["float_volts_per_cell"])
    day.discharge(30.0)
    found, _ = run(day)
    assert last(found).verdict == "full_proven"
    assert "on float" in last(found).reason


def many(days: int, returned: float, *, full_after: int | None = None) -> Iterator[Frame]:
    """Days of 24 h: 60 Ah out, a share of them back without reaching the held voltage; full from a day on."""
    day = Day()
    for number in range(days):
        day.discharge(60.0, hours=10.0)
        if full_after is not None and (number == 0 or number >= full_after):
            day.bulk(45.0)
            day.tail(8, 1.0, 1.5)
        else:
            frames = 12 * 8
            for step in range(frames):
                day.add(60.0 * returned / 8, 2.12 + 0.15 * step / frames)
        while len(day.frames) < 288 * (number + 1):
            day.add(0.0, 2.10)
    yield from day.frames


def test_three_weeks_at_95_percent_return_are_found_within_21_days() -> None:
    pipeline = Pipeline(GROUND, LIMITS, FullCharge)
    found = pipeline.run(many(22, 0.95, full_after=30))
    chronic = [one for one in found if one.name == "full_charge.undercharge" and one.verdict == "chronic"]
    assert chronic
    days = (chronic[0].at.at_ms - next(many(1, 1.0)).start_ms) / 86_400_000
    # The bank is full at the end of the first day; three weeks begin there.
    assert days <= 1 + 21
    assert chronic[0].value == pytest.approx(100 * 20 * 3.0 / 200, rel=0.2)
    assert chronic[0].low is not None
    assert chronic[0].low > 0
    assert "in every part" in chronic[0].reason


def test_one_cloudy_week_is_no_chronic_undercharge() -> None:
    pipeline = Pipeline(GROUND, LIMITS, FullCharge)
    found = pipeline.run(many(24, 0.95, full_after=8))
    assert not [one for one in found if one.name == "full_charge.undercharge" and one.verdict == "chronic"]
    assert not [one for one in found if one.verdict == "long_overdue"]


def test_days_since_full_turn_overdue() -> None:
    found = Pipeline(GROUND, LIMITS, FullCharge).run(many(12, 0.98, full_after=30))
    told = [one for one in found if one.name == "full_charge.days_since"]
    assert [one.verdict for one in told[1:3]] == ["fine", "fine"]
    assert told[-1].verdict == "overdue"
    assert told[-1].value == pytest.approx(10.5, abs=1.0)


@pytest.mark.parametrize(("tail_hours", "verdict"), [(8, "none"), (34, "high")])
def test_overcharge_for_weeks(tail_hours: int, verdict: str) -> None:
    """Gas of 1.5 A for 8 h at 60 Ah a day is right; for more than a day it is far too much."""
    day = Day()
    for _ in range(20):
        day.discharge(60.0)
        day.bulk(30.0)
        day.tail(tail_hours, 1.2, 1.5)
    found, _ = run(day)
    assert last(found, "full_charge.overcharge").verdict == verdict


@pytest.mark.parametrize(
    ("factor", "told", "verdict"),
    [(1.28, False, "high"), (1.245, False, "none"), (1.245, True, "high"), (1.2, True, "none")],
)
def test_overcharge_that_is_told_stands_until_less_is_shown(factor: float, told: bool, verdict: str) -> None:
    """The limit is 1.25, and the zero of the current leaves about 0.01 of it open."""
    frame = make_frame(GROUND.bank, 29 * 288, 0.0, 2.13 * GROUND.bank.cells_in_series)
    returns = Returns(GROUND)
    for day in range(28):
        account = SinceFull(START_MS + day * DAY_MS, True, 60.0, 60.0 * factor, 0)
        returns.keep_account(account, START_MS + (day + 1) * DAY_MS)
    said = returns._overcharge(Moment(frame, LIMITS), told)
    assert said.verdict == verdict


def test_a_high_factor_over_little_use_is_no_overcharge() -> None:
    """8 Ah a day more than was taken are a third of what was taken, and 4 % of 200 Ah: that keeps any bank full."""
    day = Day()
    for _ in range(40):
        day.discharge(25.0)
        day.bulk(2.5)
        day.tail(8, 1.2, 0.8)
        while len(day.frames) % 288:
            day.add(0.0, 2.13)
    found, _ = run(day)
    told = last(found, "full_charge.overcharge")
    assert told.verdict == "none"
    assert told.value is not None
    assert told.value > 1.3


def charges(hold_of: object, celsius_of: object, ambient_of: object = None, days: int = 20) -> list[Finding]:
    day = Day()
    for number in range(days):
        celsius = celsius_of(number)  # type: ignore[operator]
        ambient = celsius if ambient_of is None else ambient_of(number)  # type: ignore[operator]
        hold = hold_of(celsius, ambient)  # type: ignore[operator]
        start = len(day.frames)
        day.discharge(60.0)
        day.bulk(42.0, hold, celsius)
        day.tail(6, 1.2, 1.5, hold, celsius)
        day.frames[start:] = [
            make_frame(BANK, start + row, one.amps, one.volts, celsius=celsius, ambient=ambient)
            for row, one in enumerate(day.frames[start:])
        ]
    found, _ = run(day)
    return found


@pytest.mark.parametrize(("shift", "verdict"), [(0.0, "right"), (0.015, "right"), (-0.05, "low"), (0.05, "high")])
def test_set_points_at_battery_temperature(shift: float, verdict: str) -> None:
    found = charges(lambda celsius, _: HOLD + SLOPE * (celsius - 25.0) + shift, lambda _: 15.0, days=5)
    told = last(found, "full_charge.set_points")
    assert told.verdict == verdict
    assert told.value == pytest.approx(shift, abs=0.002)
    assert told.low is not None
    assert told.high is not None
    assert told.low <= shift <= told.high


@pytest.mark.parametrize(
    ("shift", "verdict"),
    [(0.0, "may_be_right"), (0.06, "may_be_right"), (-0.06, "low"), (-0.15, "low"), (0.25, "high")],
)
def test_set_points_where_only_the_air_is_read(shift: float, verdict: str) -> None:
    """Charged at night the blocks are 18 K warmer than the air: the charger holds less than the air would ask for."""
    day, warm, cold = Day(), 20.0, 2.0
    for _ in range(5):
        start, hold = len(day.frames), HOLD + SLOPE * (warm - 25.0) + shift
        day.discharge(60.0)
        day.bulk(42.0, hold)
        day.tail(6, 1.2, 1.5, hold)
        day.frames[start:] = [
            make_frame(BANK, start + row, one.amps, one.volts, celsius=nan, ambient=cold)
            for row, one in enumerate(day.frames[start:])
        ]
    found, _ = run(day)
    told = last(found, "full_charge.set_points")
    assert told.verdict == verdict
    assert "above the air's where that is all that is read" in told.reason
    assert told.low is not None
    assert told.high is not None
    assert told.low <= shift <= told.high
    assert last(found, "full_charge.compensation").verdict == "cannot_tell"


def swing(number: int) -> float:
    return 18.0 + 12.0 * ((number * 7) % 20) / 20


def air(number: int) -> float:
    return 5.0 + 15.0 * ((number * 11) % 20) / 20


@pytest.mark.parametrize(
    ("hold_of", "verdict"),
    [
        (lambda celsius, _: HOLD + SLOPE * (celsius - 25.0), "as_preset"),
        (lambda celsius, _: HOLD - 0.003 * (celsius - 25.0), "as_preset"),
        (lambda celsius, _: HOLD, "none"),
        (lambda celsius, ambient: HOLD + SLOPE * (ambient - 25.0), "follows_ambient"),
    ],
)
def test_compensation(hold_of: object, verdict: str) -> None:
    assert last(charges(hold_of, swing, air), "full_charge.compensation").verdict == verdict


def test_compensation_needs_a_range_of_temperature() -> None:
    told = last(charges(lambda celsius, _: HOLD, lambda _: 25.0), "full_charge.compensation")
    assert told.verdict == "cannot_tell"
    assert "over 0 K" in told.reason


def test_a_wrong_zero_widens_the_charge_factor_and_a_wrong_scale_leaves_it() -> None:
    factors = []
    for gain in (1.0, 1.5):
        day = Day()
        for _ in range(2):
            day.discharge(60.0)
            day.bulk(42.0)
            day.tail(8, 1.2, 1.5)
        day.discharge(20.0)
        frames = [make_frame(BANK, row, one.amps * gain, one.volts, celsius=25.0) for row, one in enumerate(day.frames)]
        factors.append(last(Pipeline(GROUND, LIMITS, FullCharge).run(frames), "full_charge.charge_factor"))
    assert factors[0].value == pytest.approx(factors[1].value, rel=1e-3)
    unsure = ground_of(BANK, {"amps": Accuracy(0.005, 0.2)})
    wide = last(Pipeline(unsure, LIMITS, FullCharge).run(day.frames), "full_charge.charge_factor")
    assert wide.high is not None
    assert factors[0].high is not None
    assert wide.high - wide.value > 5 * (factors[0].high - factors[0].value)  # type: ignore[operator]


def test_restarts_change_nothing_of_full_charges() -> None:
    day = one_charge(8, 1.2, 2.0)
    cloudy(day, 3, 0.5, 0.2)
    day.discharge(50.0)
    day.bulk(40.0)
    day.tail(1.0, 1.2, 0.5)
    found = restarts_change_nothing(GROUND, LIMITS, [FullCharge], day.frames)
    assert len(found) > 5
