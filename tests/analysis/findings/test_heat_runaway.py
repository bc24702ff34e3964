"""Thermal runaway: found soon, and never on a hot day, a warm-up, or a change of the charging voltage."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import pytest
from frame_tools import START_MS, Pipeline, ground_of, limits_of, make_frame, restarts_change_nothing

from loggerd.analysis.findings.heat import Heat
from loggerd.analysis.frames import FRAME_MS, Frame
from loggerd.model.bank import Bank, BankType
from loggerd.model.finding import Finding, Grade

AGM = Bank("bank", BankType.AGM, 1, 4, 6, 100.0, 20.0)
CELLS = 24
HOUR, DAY = 12, 288
LIMITS = limits_of(BankType.AGM)
Course = Callable[[float], float]


def charge(
    hours: float,
    amps: Course,
    celsius: Course,
    ambient: Course = lambda hour: 25.0,
    volts: Course = lambda hour: 2.27,
    begin: int = 0,
) -> list[Frame]:
    """Frames of a charge, by hours since its start. `volts` per cell."""
    return [
        make_frame(
            AGM, begin + one, amps(one / HOUR), volts(one / HOUR) * CELLS, celsius=celsius(one / HOUR),
            ambient=ambient(one / HOUR),
        )
        for one in range(round(hours * HOUR))
    ]  # fmt: skip


def told(frames: Sequence[Frame], **changed: float) -> list[Finding]:
    limits = {**LIMITS, **changed}
    found = restarts_change_nothing(ground_of(AGM), limits, [Heat], frames)
    return [one for one in found if one.name == "heat.runaway"]


def words(found: Sequence[Finding]) -> list[str]:
    return [one.verdict for one in found]


def rise(begin: float, doubling_hours: float) -> Course:
    """Half an ampere, doubling again and again from some hour on."""
    return lambda hour: 0.5 * 2.0 ** (max(0.0, hour - begin) / doubling_hours)


def warming(begin: float, doubling_hours: float, start: float = 33.0) -> Course:
    """Temperature that goes with a current that doubles with every 10 K."""
    return lambda hour: start + 10.0 * max(0.0, hour - begin) / doubling_hours


def test_a_runaway_of_moderate_speed_is_found_within_half_an_hour() -> None:
    """Current doubles in two hours, 5 K an hour."""
    found = told(charge(10, rise(6, 2.0), warming(6, 2.0)))
    assert words(found) == ["calm", "act", "stop"]
    act = found[1]
    begun = START_MS + 6 * HOUR * FRAME_MS
    assert 0 < act.at.at_ms - begun <= 35 * 60_000
    assert act.since is not None
    assert act.since.at_ms <= begun
    assert act.value == pytest.approx(8.0 + 2.5, abs=1.0)
    assert "constant voltage" in act.reason


def test_a_slow_one_is_watched_long_before_it_is_hot() -> None:
    """Current doubles in two days: 0.2 K an hour. The simple limit of 10 K above the air is far."""
    found = told(charge(70, rise(6, 48.0), warming(6, 48.0, 30.5)))
    assert words(found)[:2] == ["calm", "watch"]
    assert found[1].at.at_ms - START_MS < (6 + 14) * HOUR * FRAME_MS
    assert found[1].value is not None
    assert found[1].value < 12.0


@pytest.mark.parametrize("celsius", [34.9, 35.1])
def test_ten_kelvin_above_the_air_is_urgent_for_sealed_blocks(celsius: float) -> None:
    """A maker's limit: with 25 °C around, a warming block at 35.1 °C is urgent, at 34.9 only watched or not told."""
    frames = charge(8, lambda hour: 0.5, lambda hour: celsius - 2.0 + min(2.0, 0.5 * hour))
    assert words(told(frames)) == (["calm", "act"] if celsius > 35.0 else ["calm"])


def test_a_hot_day_alone_does_not_fire() -> None:
    """The air rises by 15 K in six hours, the blocks follow, the float current doubles with their warmth."""
    air: Course = lambda hour: 25.0 + 15.0 * min(1.0, (hour % 24) / 6.0) * (hour % 24 < 12)  # noqa: E731
    blocks: Course = lambda hour: 27.0 + 12.0 * min(1.0, (hour % 24) / 8.0) * (hour % 24 < 12)  # noqa: E731
    frames = charge(72, lambda hour: 0.2 * 2 ** ((blocks(hour) - 25) / 10), blocks, air)
    assert words(told(frames)) == ["calm"]


def test_the_warm_up_of_a_charge_does_not_fire() -> None:
    """Constant current with rising voltage, then a falling current at constant voltage, day after day."""

    def amps(hour: float) -> float:
        return 20.0 if hour % 24 < 3 else max(0.3, 20.0 * 0.5 ** (hour % 24 - 3)) if hour % 24 < 12 else -8.0

    def volts(hour: float) -> float:
        return min(2.40, 2.20 + 0.07 * (hour % 24)) if hour % 24 < 12 else 2.05

    frames = charge(96, amps, lambda hour: 30.0 + 6.0 * min(1.0, hour % 24 / 6.0), lambda hour: 24.0, volts)
    assert words(told(frames)) == ["calm"]


def test_a_higher_charging_voltage_does_not_fire() -> None:
    """An equalizing step, and a voltage that creeps up: the current follows it, and the blocks warm."""
    step = charge(
        12,
        lambda hour: 0.5 if hour < 6 else 3.0,
        lambda hour: 30.5 + 0.6 * max(0.0, hour - 6),
        volts=lambda hour: 2.27 + 0.1 * (hour >= 6),
    )
    creep = charge(
        6,
        lambda hour: 0.5 * 1.3**hour,
        lambda hour: 30.5 + 0.6 * hour,
        volts=lambda hour: 2.27 + 0.009 * hour,
        begin=12 * HOUR,
    )
    assert set(words(told(step + creep))) == {"calm"}


def test_near_the_critical_current_it_says_stop() -> None:
    """The bank's own thermal resistance is learned at float; then 0.7 of the current that runs away is stop."""
    quiet = charge(24 * 20, lambda hour: 0.25, lambda hour: 29.0)
    bad = charge(8, rise(2, 1.0), warming(2, 1.0, 31.0), begin=24 * 20 * HOUR)
    found = told(quiet + bad)
    assert "stop" in words(found)
    stop = next(one for one in found if one.verdict == "stop")
    shares = {figure.name: figure.value for figure in stop.details}
    share = shares["share_of_critical_amps"]
    assert share is not None
    assert share > 0.7


def test_a_float_current_far_above_the_banks_own_is_watched() -> None:
    quiet = charge(24 * 20, lambda hour: 0.1, lambda hour: 25.5)
    high = charge(24, lambda hour: 0.5, lambda hour: 25.5, begin=24 * 20 * HOUR)
    found = told(quiet + high)
    assert words(found) == ["calm", "watch"]
    assert "own" in found[1].reason


def test_it_comes_down_in_steps() -> None:
    bad = charge(8, rise(2, 1.0), warming(2, 1.0))
    well = charge(24 * 10, lambda hour: 0.4, lambda hour: 26.0, begin=9 * HOUR)
    found = words(told(bad + well))
    assert found[-2:] == ["watch", "calm"]
    assert "stop" in found


def test_without_temperatures_it_cannot_tell() -> None:
    frames = charge(30, lambda hour: 0.5, lambda hour: float("nan"))
    (found,) = told(frames)
    assert found.verdict == "cannot_tell"
    assert found.grade is Grade.CANNOT_TELL
    assert "temperature" in found.reason


def test_probes_that_give_out_in_the_heat_do_not_end_it() -> None:
    """What was told stands until temperatures come back and show that it is over."""
    bad = charge(8, rise(2, 1.0), warming(2, 1.0))
    blind = charge(30, lambda hour: 8.0, lambda hour: float("nan"), begin=8 * HOUR)
    assert words(told(bad + blind))[-1] == "stop"
    gone = charge(24 * 12, lambda hour: 8.0, lambda hour: float("nan"), begin=8 * HOUR)
    assert words(told(bad + gone))[-1] == "cannot_tell"
    well = charge(24 * 10, lambda hour: 0.4, lambda hour: 26.0, begin=38 * HOUR)
    assert words(told(bad + blind + well))[-1] == "calm"


@pytest.mark.parametrize(("amps", "celsius", "ambient"), [(0.0, 40.0, 20.0), (0.3, 18.0, 0.0)])
def test_blocks_warmer_than_the_air_without_a_charge_or_cold_in_themselves_end_it(
    amps: float, celsius: float, ambient: float
) -> None:
    """A charger that was switched off; and a probe of the air out in the frost."""
    bad = charge(8, rise(2, 1.0), warming(2, 1.0))
    later = charge(24 * 12, lambda hour: amps, lambda hour: celsius, lambda hour: ambient, begin=8 * HOUR)
    assert words(told(bad + later))[-2:] == ["watch", "calm"]


def test_without_the_air_only_hot_blocks_are_judged() -> None:
    frames = charge(10, rise(6, 2.0), warming(6, 2.0, 30.0), ambient=lambda hour: float("nan"))
    found = told(frames)
    assert words(found)[:2] == ["calm", "act"]
    assert found[1].value is None


def test_a_pause_begins_anew() -> None:
    """The readings before a pause of unknown length say nothing about a rise across it."""
    first = charge(4, lambda hour: 0.5, lambda hour: 33.0)
    later = charge(4, lambda hour: 2.0, lambda hour: 36.0, begin=4 * HOUR)
    later[0] = make_frame(AGM, 4 * HOUR, 2.0, 2.27 * CELLS, celsius=36.0, ambient=25.0, after_unknown=True)
    assert words(told(first + later)) == ["calm"]


def test_the_state_stays_small() -> None:
    pipeline = Pipeline(ground_of(AGM), LIMITS, Heat)
    pipeline.run(charge(24 * 5, lambda hour: 0.25, lambda hour: 29.0))
    early = len(str(pipeline.topics[0].to_plain()))
    pipeline.run(charge(24 * 70, lambda hour: 0.25, lambda hour: 29.0, begin=5 * DAY))
    late = len(str(pipeline.topics[0].to_plain()))
    pipeline.run(charge(24 * 70, lambda hour: 0.25, lambda hour: 29.0, begin=75 * DAY))
    assert early < late
    assert abs(len(str(pipeline.topics[0].to_plain())) - late) < 500
