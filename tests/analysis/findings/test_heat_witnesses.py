"""Runaway by two witnesses: dips are left out, a doubtful current needs the temperature; probes of a cold string."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from math import exp

import pytest
from frame_tools import START_MS, Pipeline, ground_of, limits_of, make_frame, restarts_change_nothing

from loggerd.analysis.findings.events import DoubtEnded, Event, SensorDoubt
from loggerd.analysis.findings.full_charge_plateaus import Plateaus
from loggerd.analysis.findings.full_charge_reading import Reading
from loggerd.analysis.findings.heat import Heat
from loggerd.analysis.findings.meter import Meter
from loggerd.analysis.frames import FRAME_MS, Frame
from loggerd.model.bank import Bank, BankType
from loggerd.model.finding import Finding, Grade

AGM = Bank("bank", BankType.AGM, 1, 4, 6, 100.0, 20.0)
TWO_STRINGS = Bank("bank", BankType.AGM, 2, 4, 6, 300.0, 20.0)
CELLS, HOUR = 24, 12
LIMITS = limits_of(BankType.AGM)
FIRST = START_MS // FRAME_MS
Course = Callable[[float], float]


def charge(hours: float, amps: Course, celsius: Course, dips: Mapping[int, int] | None = None, width: float = 0.0,
           begin: int = 0) -> list[Frame]:  # fmt: skip
    """At 2.27 V per cell and 25 °C around. `dips`: frames that a load takes down, by the first; the charger gives as
    much back in as many frames after it. `width`: of the readings of the current in a frame."""
    down = {first + more for first, frames in (dips or {}).items() for more in range(frames)}
    back = {first + frames + more for first, frames in (dips or {}).items() for more in range(frames)}
    made = []
    for one in range(round(hours * HOUR)):
        hour = one / HOUR
        flows = -5.0 if one in down else amps(hour) * (3.0 if one in back else 1.0)
        volts = 2.20 if one in down else 2.27
        frame = make_frame(AGM, begin + one, flows, volts * CELLS, celsius=celsius(hour), ambient=25.0)
        frame.high_list[0] += width / 2
        frame.low_list[0] -= width / 2
        made.append(frame)
    return made


def told(frames: Sequence[Frame], given: Mapping[int, Sequence[Event]] | None = None) -> list[Finding]:
    found = Pipeline(ground_of(AGM), LIMITS, Heat).run(frames, given)
    return [one for one in found if one.name == "heat.runaway"]


def words(found: Sequence[Finding]) -> list[str]:
    return [one.verdict for one in found]


def slow_rise(hour: float) -> float:
    """9 % an hour from the second on: too slow for the rule of half an hour."""
    return 1.0 * 1.09 ** max(0.0, hour - 2.0)


def slow_warmth(hour: float) -> float:
    return 33.0 + 1.2 * max(0.0, hour - 2.0)


@pytest.mark.parametrize("frames", [1, 2, 3])
def test_short_dips_do_not_make_a_runaway_wait(frames: int) -> None:
    """A load of up to a quarter of an hour every hour and a half; two windows of an hour are never without one."""
    dips = dict.fromkeys(range(12, 84, 18), frames)
    readings = charge(7.0, slow_rise, slow_warmth, dips)
    found = [
        one for one in restarts_change_nothing(ground_of(AGM), LIMITS, [Heat], readings) if one.name == "heat.runaway"
    ]
    assert words(found) == ["calm", "act"]
    # Two hours of rise, half an hour of means, and twice the dips.
    assert (found[1].at.at_ms - START_MS) / 3_600_000 <= 2.0 + 2.5 + 6 * frames / HOUR


def test_longer_dips_begin_anew() -> None:
    """The charger does not hold the voltage: what it was before says nothing of what it is after."""
    assert "act" not in words(told(charge(7.0, slow_rise, slow_warmth, dict.fromkeys(range(12, 84, 18), 5))))


def test_many_dips_are_no_held_voltage() -> None:
    assert "act" not in words(told(charge(7.0, slow_rise, slow_warmth, dict.fromkeys(range(12, 84, 6), 2))))


def test_what_the_charger_gives_back_after_a_dip_is_no_rise() -> None:
    """A sound bank in the sun: steady current, warming blocks, a load of ten minutes and later one of fifteen."""
    readings = charge(8.0, lambda hour: 1.0, lambda hour: 30.0 + 0.6 * hour, {59: 2, 75: 3})
    assert words(told(readings)) == ["calm"]


def doubt(what: str = "meter.channel noisy") -> SensorDoubt:
    return SensorDoubt(START_MS, "amps", what, START_MS)


def fast_rise(hour: float) -> float:
    return 0.5 * 2.0 ** max(0.0, (hour - 4.0) / 2.0)


def slowing(hour: float) -> float:
    """Warm-up of a charge: fast at first, slower and slower."""
    return 31.0 + 14.0 * (1.0 - exp(-hour / 4.0))


def quickening(hour: float) -> float:
    return 31.0 + 0.8 * max(0.0, hour - 3.0) ** 1.5


def test_a_doubted_current_alone_is_no_runaway() -> None:
    frames = charge(9.0, fast_rise, slowing)
    assert "act" in words(told(frames))
    found = told(frames, {FIRST: [doubt()]})
    assert words(found) == ["calm", "cannot_tell"]
    assert found[1].grade is Grade.CANNOT_TELL
    assert "meter.channel" in found[1].reason


def test_a_temperature_that_rises_as_in_a_runaway_speaks_for_itself() -> None:
    assert "act" in words(told(charge(9.0, fast_rise, quickening), {FIRST: [doubt()]}))


@pytest.mark.parametrize("what", ["meter.shunt_scale too_large", "meter.zero_offset offset"])
def test_a_wrong_scale_or_zero_makes_no_rise_and_hides_none(what: str) -> None:
    assert "act" in words(told(charge(9.0, fast_rise, slowing), {FIRST: [doubt(what)]}))


def test_a_doubt_that_comes_later_takes_back_what_rested_on_the_current_alone() -> None:
    late = {FIRST + 8 * HOUR: [doubt()]}
    assert words(told(charge(9.0, fast_rise, slowing), late))[-1] == "cannot_tell"
    assert words(told(charge(9.0, fast_rise, quickening), late))[-1] in ("act", "stop")


def test_blocks_far_above_the_air_vouch_for_a_rise_and_stay_told_while_they_are_hot() -> None:
    """The rise slows and ends, but the blocks stand 25 K above the air for ten days, and the current is doubted."""
    standing = charge(10 * 24.0, lambda hour: 4.0, lambda hour: 50.0, begin=9 * HOUR)
    frames = [*charge(9.0, fast_rise, slowing), *standing]
    late = {FIRST + 12 * HOUR: [doubt()]}
    assert words(told(frames, late))[-1] in ("act", "stop")
    lukewarm = [*charge(9.0, fast_rise, slowing), *charge(48.0, lambda hour: 4.0, lambda hour: 40.0, begin=9 * HOUR)]
    assert words(told(lukewarm, late))[-1] == "cannot_tell"
    cool = charge(10 * 24.0, lambda hour: 0.5, lambda hour: 30.0, begin=249 * HOUR)
    assert words(told([*frames, *cool]))[-2:] == ["watch", "calm"]


def test_when_the_doubt_is_over_it_is_judged_again() -> None:
    ended = {FIRST: [doubt()], FIRST + 10 * HOUR: [DoubtEnded(START_MS, "amps", "meter.channel")]}
    quiet = charge(48.0, lambda hour: 0.5, lambda hour: 31.0, begin=9 * HOUR)
    assert words(told(charge(9.0, fast_rise, slowing) + quiet, ended)) == ["calm", "cannot_tell", "calm"]


def test_a_rise_within_the_scatter_of_the_current_is_chance_before_anybody_doubts_it() -> None:
    """Current from 0.5 to 1.4 A in three hours while readings within five minutes differ by 4 A."""
    assert words(told(charge(7.0, fast_rise, slowing, width=4.0))) == ["calm", "cannot_tell"]
    assert "act" in words(told(charge(7.0, fast_rise, slowing, width=0.05)))


@pytest.mark.parametrize(("width", "zero", "known"), [(0.1, 0.1, True), (1.0, 0.1, False), (0.1, 0.4, False)])
def test_the_noise_and_the_zero_of_a_current_at_rest_are_no_float(width: float, zero: float, known: bool) -> None:
    """Three hours at rest after a charge; the channel says 0.3 A of charge. Stated of the zero: 0.1, 0.4 A."""
    plateaus = Plateaus()
    for place in range(36):
        plateaus.add(Reading(place * FRAME_MS, 0.3, 2.17, 2.17, 2.17, 25.0, 25.0, width))
    assert (plateaus.float_level(100.0, 2.10, 2.35, zero) is not None) is known


def detached(celsius: Callable[[float], list[float]]) -> set[str]:
    """Probes that are called detached within a day at 20 °C around."""
    frames = []
    for position in range(288):
        wobble = 0.2 * (position // 12 % 5)
        rows = [one + wobble for one in celsius(position / HOUR)]
        frames.append(make_frame(TWO_STRINGS, position, 6.0, 2.395 * CELLS, block_volts=[14.37] * 8, celsius=rows,
                                 ambient=20.0))  # fmt: skip
    found = Pipeline(ground_of(TWO_STRINGS), LIMITS, Meter).run(frames)
    return {one.subject for one in found if (one.name, one.verdict) == ("meter.temperature", "detached")}


def test_a_string_that_stays_cold_while_the_other_runs_hot_has_lost_no_probe() -> None:
    assert detached(lambda hour: [40.0 + hour, 41.0 + hour, 40.5 + hour, 41.5 + hour, 21.0, 21.2, 21.4, 21.6]) == set()


def test_one_cold_probe_among_warm_ones_of_its_string_has_come_off() -> None:
    rows = [40.0, 20.5, 40.5, 41.5, 21.0, 21.2, 21.4, 21.6]
    assert detached(lambda hour: rows) == {"block_2_celsius"}
