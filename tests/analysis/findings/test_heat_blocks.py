"""Hot blocks, blocks unlike one another, freezing, and ageing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pytest
from fold_tools import bank
from frame_tools import START_MS, Pipeline, ground_of, limits_of, make_frame, restarts_change_nothing

from loggerd.analysis.findings.catalogue import Ground
from loggerd.analysis.findings.events import DoubtEnded, Event, Rested, SensorDoubt
from loggerd.analysis.findings.heat import Heat
from loggerd.analysis.findings.heat_formulas import freezing_celsius
from loggerd.analysis.frames import FRAME_MS, Frame
from loggerd.model.bank import Accuracy
from loggerd.model.finding import Finding, Grade

BANK = bank()
LIMITS = limits_of()
HOUR, DAY = 12, 288


def frames(
    hours: float, celsius: float | Sequence[float], amps: float = 10.0, begin: int = 0, volts: float = 54.0
) -> list[Frame]:
    return [make_frame(BANK, begin + one, amps, volts, celsius=celsius) for one in range(round(hours * HOUR))]


def told(
    name: str,
    run: Sequence[Frame],
    given: Mapping[int, Sequence[Event]] | None = None,
    ground: Ground | None = None,
    limits: Mapping[str, float] = LIMITS,
) -> list[Finding]:
    ground = ground or ground_of(BANK)
    if given is None:
        found = restarts_change_nothing(ground, limits, [Heat], run)
    else:
        found = Pipeline(ground, limits, Heat).run(run, given)
    return [one for one in found if one.name == name]


def words(found: Sequence[Finding]) -> list[tuple[str, str]]:
    return [(one.subject, one.verdict) for one in found]


# Too hot


def test_a_block_too_hot_to_charge_is_told_and_is_over_only_when_it_has_cooled() -> None:
    run = [
        *frames(1, 30.0),
        *frames(1, [40.0, 44.0, 41.0, 40.0], begin=HOUR),
        *frames(1, 41.0, begin=2 * HOUR),
        *frames(1, 36.0, begin=3 * HOUR),
    ]
    found = told("heat.high", run)
    assert [one.verdict for one in found] == ["normal", "too_hot_to_charge", "normal"]
    assert found[1].value == 44.0
    assert "block 2" in found[1].reason
    assert found[1].since is not None
    assert found[1].since.at_ms == START_MS + HOUR * FRAME_MS
    assert found[2].at.at_ms > START_MS + 3 * HOUR * FRAME_MS


def test_a_block_over_the_limit_by_less_than_its_probe_may_be_wrong_is_not_told() -> None:
    ground = ground_of(BANK, {f"block_{one}_celsius": Accuracy(None, 1.0) for one in range(1, 5)})
    for celsius, seen in ((43.6, ["normal"]), (44.2, ["normal", "too_hot_to_charge"])):
        run = [*frames(1, 30.0), *frames(1, celsius, begin=HOUR)]
        assert [one.verdict for one in told("heat.high", run, ground=ground)] == seen


def test_hot_blocks_that_do_not_charge_are_right_up_to_50_degrees() -> None:
    run = [*frames(1, 47.0, amps=-10.0), *frames(1, 51.0, amps=-10.0, begin=HOUR)]
    assert [one.verdict for one in told("heat.high", run)] == ["normal", "too_hot"]


def test_one_wild_reading_is_not_told() -> None:
    run = [*frames(1, 30.0), *frames(1 / 12, [30, 85.0, 30, 30], begin=HOUR), *frames(1, 30.0, begin=HOUR + 1)]
    assert [one.verdict for one in told("heat.high", run)] == ["normal"]


def test_a_probe_that_is_doubted_is_left_out() -> None:
    run = [*frames(1, 30.0), *frames(24 * 5, [30.0, 30.0, 85.0, 30.0], begin=HOUR)]
    doubt = SensorDoubt(START_MS, "block_3_celsius", "stuck", START_MS)
    given = {run[0].number: [doubt]}
    assert [one.verdict for one in told("heat.high", run, given)] == ["normal"]
    assert words(told("heat.spread", run, given)) == [("bank", "even")]
    assert [one.verdict for one in told("heat.high", run)] == ["normal", "too_hot"]


@pytest.mark.parametrize("error", [-127.0, 85.0])
def test_the_error_value_of_a_probe_is_neither_frost_nor_heat(error: float) -> None:
    run = [*frames(2, 18.0), *frames(5, [18.0, 18.0, error, 18.0], begin=2 * HOUR)]
    given = {run[0].number: [rested(0.30)]}
    assert told("heat.freezing", run, given) == []
    assert [one.verdict for one in told("heat.high", run, given)] == ["normal"]
    assert [one.verdict for one in told("heat.high", run)] == ["normal"]


def test_a_block_that_boils_is_still_believed() -> None:
    """Acid of a sealed block boils above 100 °C, at about 110 (from memory): then it must not seem to be out of
    range."""
    climb = [step for celsius in range(30, 108, 6) for step in frames(1 / 12, float(celsius), begin=celsius // 6)]
    run = climb + frames(24, [30.0, 108.0, 30.0, 30.0], begin=18)
    assert [one.verdict for one in told("heat.high", run)] == ["normal", "too_hot"]


@pytest.mark.parametrize("before", [18.0, float("nan")])
def test_nothing_leaps_to_where_only_a_boiling_block_gets(before: float) -> None:
    """A probe that says 105 °C at once, or never said anything before, is broken."""
    run = [*frames(2, [18.0, 18.0, before, 18.0]), *frames(20, [18.0, 18.0, 105.0, 18.0], begin=2 * HOUR)]
    assert [one.verdict for one in told("heat.high", run)] == ["normal"]


def test_a_probe_that_gives_out_in_the_heat_does_not_end_it() -> None:
    """For a week; then the others are all that is known. The block itself, cool again, ends it at once."""
    hot = [*frames(1, 30.0), *frames(2, [30.0, 40.0, 30.0, 30.0], begin=HOUR)]
    hot += frames(2, [30.0, 55.0, 30.0, 30.0], begin=3 * HOUR)
    silent = frames(6 * 24, [30.0, float("nan"), 30.0, 30.0], begin=5 * HOUR)
    longer = frames(3 * 24, [30.0, float("nan"), 30.0, 30.0], begin=5 * HOUR + 6 * DAY)
    cool = frames(12, [30.0, 32.0, 30.0, 30.0], begin=5 * HOUR + 6 * DAY)
    assert [one.verdict for one in told("heat.high", hot + silent)] == ["normal", "too_hot"]
    assert [one.verdict for one in told("heat.high", hot + silent + longer)] == ["normal", "too_hot", "normal"]
    again = told("heat.high", hot + silent + cool)
    assert [one.verdict for one in again] == ["normal", "too_hot", "normal"]


def test_a_leap_that_stays_and_that_nobody_doubts_is_taken_in_the_end() -> None:
    run = [*frames(2, 18.0), *frames(7, [18.0, 18.0, 60.0, 18.0], begin=2 * HOUR)]
    normal, hot = told("heat.high", run)
    assert (normal.verdict, hot.verdict) == ("normal", "too_hot")
    assert hot.at.at_ms >= START_MS + 8 * HOUR * FRAME_MS


def test_a_doubted_probe_stays_left_out_until_its_doubt_ends() -> None:
    run = [*frames(2, 30.0), *frames(24 * 40, [30.0, 30.0, 55.0, 30.0], begin=2 * HOUR)]
    doubt = SensorDoubt(START_MS, "block_3_celsius", "meter.temperature dead", START_MS)
    over = DoubtEnded(START_MS, "block_3_celsius", "meter.temperature")
    other = DoubtEnded(START_MS, "block_3_celsius", "meter.channel")
    given: dict[int, list[Event]] = {run[0].number: [doubt], run[DAY].number: [other]}
    assert [one.verdict for one in told("heat.high", run, given)] == ["normal"]
    given[run[2 * DAY].number] = [over]
    assert [one.verdict for one in told("heat.high", run, given)] == ["normal", "too_hot"]


# Unlike one another


def test_a_hot_block_is_named_after_three_days_and_let_go_after_three() -> None:
    run = [
        *frames(24 * 2, 25.0),
        *frames(24 * 5, [25.0, 25.2, 30.0, 25.1], begin=2 * DAY),
        *frames(24 * 5, 25.0, begin=7 * DAY),
    ]
    found = told("heat.spread", run)
    assert words(found) == [("bank", "even"), ("block 3", "hot_block"), ("block 3", "even")]
    hot = found[1]
    assert hot.value == pytest.approx(5.0, abs=0.4)
    assert hot.low is not None
    assert hot.high is not None
    assert hot.low < 5.0 < hot.high
    assert hot.at.at_ms - START_MS <= 6 * DAY * FRAME_MS


@pytest.mark.parametrize(("warmest", "seen"), [(27.9, "even"), (28.1, "hot_block")])
def test_three_kelvin_is_the_limit(warmest: float, seen: str) -> None:
    """IEEE 450 and 1188, from memory: find the cause of more than 3 °C between cells. Probes without an error here."""
    exact = ground_of(BANK, {f"block_{one}_celsius": Accuracy(None, 0.0, 0.0, 0.1) for one in range(1, 5)})
    found = told("heat.spread", frames(24 * 6, [25.0, 25.0, 25.0, warmest]), ground=exact)
    assert found[-1].verdict == seen


def test_what_the_probes_may_be_wrong_by_is_not_called_a_hot_block() -> None:
    loose = ground_of(BANK, {f"block_{one}_celsius": Accuracy(None, 2.0, 0.1, 0.1) for one in range(1, 5)})
    assert words(told("heat.spread", frames(24 * 6, [25.0, 25.0, 25.0, 29.0]), ground=loose)) == [("bank", "even")]


def test_a_cold_block_is_named_as_a_loose_probe_may_be() -> None:
    found = told("heat.spread", frames(24 * 6, [25.0, 18.0, 25.5, 25.0]))
    assert words(found) == [("block 2", "cold_block")]


def test_another_hot_block_takes_the_place_of_the_first() -> None:
    run = [
        *frames(24 * 5, [31.0, 25.0, 25.0, 25.0]),
        *frames(24 * 5, [25.0, 25.0, 25.0, 31.0], begin=5 * DAY),
    ]
    found = told("heat.spread", run)
    assert words(found) == [("block 1", "hot_block"), ("block 4", "hot_block"), ("block 1", "even")]


# Freezing


@pytest.mark.parametrize(
    ("state", "point"),
    [(1.0, -57.0), (0.75, -36.0), (0.5, -24.0), (0.25, -16.0), (0.0, -8.0), (0.125, -12.0), (1.2, -57.0), (-1.0, -8.0)],
)
def test_where_the_acid_freezes(state: float, point: float) -> None:
    """Published tables of specific gravity and freezing, the warmest of those that disagree."""
    assert freezing_celsius(state, LIMITS) == pytest.approx(point)


def rested(state: float, half: float = 0.05) -> Rested:
    return Rested(START_MS, START_MS, 10.0, 2.0, 0.01, "A", 0.0, 0.0, (), "discharge", "", state, half)


def test_a_discharged_bank_in_the_cold_may_freeze_and_a_full_one_not() -> None:
    for state, expected in ((0.95, []), (0.30, ["near"]), (0.10, ["freezing"])):
        run = frames(6, -15.0, amps=0.0, volts=48.0)
        found = told("heat.freezing", run, {run[0].number: [rested(state)]})
        assert [one.verdict for one in found] == expected


def test_freezing_is_over_when_it_is_warm() -> None:
    run = [*frames(6, -15.0, amps=0.0), *frames(6, 5.0, amps=0.0, begin=6 * HOUR)]
    found = told("heat.freezing", run, {run[0].number: [rested(0.10)]})
    assert [one.verdict for one in found] == ["freezing", "safe"]


def test_freezing_at_the_limit_does_not_come_and_go() -> None:
    """A hundredth of a kelvin below the limit, half a kelvin above, below again, and then two above."""
    point = freezing_celsius(0.10, LIMITS)
    run = [
        one
        for number, off in enumerate((-0.01, 0.5, -0.01, 0.5, 2.0))
        for one in frames(30, point + off, amps=0.0, begin=30 * HOUR * number)
    ]
    found = told("heat.freezing", run, {run[0].number: [rested(0.10)]})
    assert [one.verdict for one in found] == ["freezing", "near"]


def test_near_freezing_lasts_until_a_day_without_it() -> None:
    """At 30 % and a few kelvins: colder by night, warmer by day; then two mild days."""
    nights = [
        one
        for night in range(2)
        for one in (*frames(12, -15.0, 0.0, night * DAY), *frames(12, -9.0, 0.0, night * DAY + 144))
    ]
    mild = frames(30, -7.0, amps=0.0, begin=2 * DAY)
    run = [*nights, *mild]
    found = told("heat.freezing", run, {run[0].number: [rested(0.30)]})
    assert [one.verdict for one in found] == ["near", "safe"]
    assert found[1].at.at_ms > START_MS + 2 * DAY * FRAME_MS


def test_what_was_drawn_since_the_rest_counts() -> None:
    """From 60 %, a discharge of half the rated amp-hours comes to 10 %."""
    run = [*frames(10, -14.0, amps=-10.0), *frames(2, -14.0, amps=0.0, begin=10 * HOUR)]
    found = told("heat.freezing", run, {run[0].number: [rested(0.60)]})
    assert [one.verdict for one in found][-1] == "freezing"


def test_cold_without_a_known_state_of_charge_cannot_be_told() -> None:
    (found,) = told("heat.freezing", frames(6, -15.0, amps=0.0))
    assert found.grade is Grade.CANNOT_TELL
    assert "rest" in found.reason
    assert told("heat.freezing", frames(6, -3.0, amps=0.0)) == []


# Ageing


def test_a_year_of_two_temperatures_ages_by_the_mean_of_the_rates() -> None:
    """Half a year at 25, half at 35 °C: 1.5 years a year; by the mean temperature it would be 1.41."""
    run = [make_frame(BANK, day * DAY, 0.0, 50.0, celsius=25.0 if day % 60 < 30 else 35.0) for day in range(0, 420, 1)]
    found = told("heat.life", run)
    assert found
    assert found[0].value == pytest.approx(1.5, abs=0.03)
    assert found[0].verdict == "usual"


def test_a_year_in_the_heat_is_told() -> None:
    run = [make_frame(BANK, day * DAY, 0.0, 50.0, celsius=38.0) for day in range(420)]
    assert {one.verdict for one in told("heat.life", run)} == {"fast"}
