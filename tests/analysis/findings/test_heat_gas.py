"""Water, air, equalizing and drying out, from events as other topics tell them."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from frame_tools import START_MS, Pipeline, ground_of, limits_of, make_frame

from loggerd.analysis.findings import verdict_of
from loggerd.analysis.findings.catalogue import Moment
from loggerd.analysis.findings.events import (
    BecameFull,
    BlocksCompared,
    Capacity,
    ChargeEnded,
    Event,
    LightlyLoaded,
    Resistance,
    Rested,
)
from loggerd.analysis.findings.heat import Heat
from loggerd.analysis.findings.heat_dry_out import DryOut
from loggerd.analysis.findings.heat_water import Water
from loggerd.analysis.frames import FRAME_MS
from loggerd.model.bank import Accuracy, Bank, BankType
from loggerd.model.finding import Finding, Grade

DAY = 288
DAY_MS = DAY * FRAME_MS
FLOODED = Bank("bank", BankType.FLOODED_ANTIMONY, 1, 4, 6, 200.0, 20.0)
TWO_STRINGS = Bank("bank", BankType.FLOODED_ANTIMONY, 2, 4, 6, 400.0, 20.0)
AGM = Bank("bank", BankType.AGM, 1, 4, 6, 200.0, 20.0)
Days = dict[int, list[Event]]


def full(day: int, tail: float = 2.0, volts: float = 2.467) -> BecameFull:
    return BecameFull(START_MS + day * DAY_MS, True, START_MS, volts, tail, 25.0, None)


def cycle(bank: Bank, days: int, overcharge: float, offset: float = 0.05) -> list[Finding]:
    """Every day 80 Ah out and 80 Ah and some back, full each evening: two frames a day carry it."""
    ground = ground_of(bank, {"amps": Accuracy(0.005, offset, 0.01, 0.001)})
    hours = FRAME_MS / 3_600_000
    pipeline = Pipeline(ground, limits_of(bank.type), Heat)
    found: list[Finding] = []
    for day in range(days):
        moves = [make_frame(bank, day * DAY + one, 0.0, 50.0, missed=0) for one in range(2, 12)]
        out = make_frame(bank, day * DAY, -80.0 / hours, 48.0)
        back = make_frame(bank, day * DAY + 1, (80.0 + overcharge) / hours, 57.0)
        found += pipeline.run([out, back, *moves], {moves[0].number: [full(day)]})
        pipeline.restart()
    return [one for one in found if one.name == "heat.water"]


# Water


def test_water_by_faraday_from_full_to_full() -> None:
    """8 Ah of overcharge a day: 2.69 g a day and cell; the reserve of 80 g lasts 30 days."""
    found = cycle(FLOODED, 40, 8.0)
    assert [one.verdict for one in found][:2] == ["interval", "due"]
    first = found[0]
    details = {figure.name: figure.value for figure in first.details}
    assert first.value == pytest.approx(details["days"] * 8.0 * 0.336, rel=0.02)
    assert details["grams_per_day"] == pytest.approx(8.0 * 0.336, rel=0.02)
    assert details["days_between_waterings"] == pytest.approx(80.0 / 2.69, rel=0.02)
    assert first.low is not None
    assert first.low < first.value < (first.high or 0.0)
    assert (first.at.at_ms - START_MS) / DAY_MS > 20
    assert (found[1].at.at_ms - START_MS) / DAY_MS == pytest.approx(30, abs=2)


def test_the_band_is_a_third_of_the_water_with_a_zero_that_adds_a_third() -> None:
    """200 Ah, charge factor 1.08, 24 Ah of overcharge a week; 50 mA of zero offset is 8.4 Ah a week: about +-35 %."""
    first = cycle(FLOODED, 40, 24.0 / 7.0)[0]
    assert first.value is not None
    assert first.high is not None
    assert (first.high - first.value) / first.value == pytest.approx(0.35, abs=0.03)


def test_of_two_strings_each_cell_takes_half() -> None:
    single, double = cycle(FLOODED, 25, 8.0)[0], cycle(TWO_STRINGS, 25, 16.0)[0]
    assert double.value == pytest.approx(single.value)


def test_a_bad_zero_leaves_water_untold() -> None:
    found = cycle(FLOODED, 25, 2.0, offset=0.2)
    assert [one.grade for one in found] == [Grade.CANNOT_TELL]
    assert "zero" in found[0].reason


def test_sealed_blocks_are_not_watered() -> None:
    found = cycle(AGM, 70, 8.0)
    assert {one.verdict for one in found} == {"sealed"}
    assert found[0].value == pytest.approx(0.03 * 0.336 * 8.0 * 21, rel=0.1)
    names = {figure.name for one in found for figure in one.details}
    assert "days_between_waterings" not in names
    assert verdict_of(found[0]).do == ""


def test_stretches_with_gaps_or_pauses_do_not_count() -> None:
    water = Water(ground_of(FLOODED))
    limits = limits_of()
    for day in range(40):
        frame = make_frame(FLOODED, day * DAY, 100.0, 57.0, missed=DAY - 1 if day else 0)
        assert water.push(Moment(frame, limits, [full(day)])) == []
    assert water.state.overcharge == 0.0
    for day in range(40, 80):
        frame = make_frame(FLOODED, day * DAY, 100.0, 57.0, after_unknown=True)
        assert water.push(Moment(frame, limits, [full(day)])) == []
    assert water.state.overcharge == 0.0


# Air


def test_air_by_formula_is_told_once_and_when_its_limits_change() -> None:
    pipeline = Pipeline(ground_of(FLOODED), limits_of(), Heat)
    first = pipeline.run([make_frame(FLOODED, one, 0.0, 50.0) for one in range(3)])
    (air,) = [one for one in first if one.name == "heat.ventilation"]
    assert air.value == pytest.approx(4.80)
    assert "measured" in air.reason
    verdict = verdict_of(air)
    assert "not measured" in verdict.says
    assert "4 %" in verdict.caution
    pipeline.restart()
    pipeline.limits = limits_of()
    again = pipeline.run([make_frame(FLOODED, 3, 0.0, 50.0)])
    assert not [one for one in again if one.name == "heat.ventilation"]
    pipeline.limits = limits_of(ventilation_constant=0.055)
    (changed,) = [one for one in pipeline.run([make_frame(FLOODED, 4, 0.0, 50.0)]) if one.name == "heat.ventilation"]
    assert changed.value == pytest.approx(5.28)


# Equalizing


def compared(day: int, spread: float, lowest: float | None = None) -> BlocksCompared:
    low = -spread if lowest is None else lowest
    rest = (low + spread, low, 0.0 if low <= 0.0 <= low + spread else low, None)
    return BlocksCompared(START_MS + day * DAY_MS, 0.4, (None,) * 4, (None,) * 4, (None,) * 4, rest)


def equalized(day: int, volts: float = 2.58) -> ChargeEnded:
    at = START_MS + day * DAY_MS
    return ChargeEnded(at - DAY_MS // 4, at, "full_proven", 90.0, volts, 3 * 3_600_000, 4.0, 60.0, 25.0)


def by_day(
    bank: Bank, days: Days, last: int, name: str, celsius: float = 25.0, changed: dict[str, float] | None = None
) -> list[Finding]:
    pipeline = Pipeline(ground_of(bank), {**limits_of(bank.type), **(changed or {})}, Heat)
    found: list[Finding] = []
    for day in range(last):
        frame = make_frame(bank, day * DAY, 0.0, 50.0, celsius=celsius)
        found += pipeline.run([frame], {frame.number: days.get(day, [])})
        pipeline.restart()
    return [one for one in found if one.name == name]


def spreads(values: Sequence[float], first: int = 0, lowest: float | None = None) -> Days:
    return {first + day: [compared(first + day, value, lowest)] for day, value in enumerate(values)}


@pytest.mark.parametrize(
    ("bank", "spread", "lowest", "celsius", "seen"),
    [
        (FLOODED, 0.010, None, 25.0, "not_needed"),
        (FLOODED, 0.045, None, 25.0, "advisable"),
        (FLOODED, 0.045, None, 41.0, "too_warm"),
        (FLOODED, 0.350, -0.345, 25.0, "block_first"),
        (AGM, 0.045, None, 25.0, "not_this_type"),
    ],
)
def test_equalizing_by_evidence(bank: Bank, spread: float, lowest: float | None, celsius: float, seen: str) -> None:
    found = by_day(bank, spreads([spread] * 4, lowest=lowest), 5, "heat.equalize", celsius)
    assert [one.verdict for one in found] == [seen]
    assert found[0].value == pytest.approx(1000 * spread)


def test_one_wide_comparison_is_not_evidence() -> None:
    found = by_day(FLOODED, spreads([0.01, 0.06, 0.01, 0.01]), 5, "heat.equalize")
    assert [one.verdict for one in found] == ["not_needed"]


@pytest.mark.parametrize(
    ("before", "after", "seen"),
    [(0.05, 0.02, "helped"), (0.05, 0.048, "no_effect"), (0.01, 0.011, "nothing_to_mend")],
)
def test_what_an_equalizing_charge_did(before: float, after: float, seen: str) -> None:
    days = {**spreads([before] * 5), 5: [equalized(5)], **spreads([after] * 5, first=6)}
    (found,) = by_day(FLOODED, days, 12, "heat.equalize_effect")
    assert found.verdict == seen
    assert found.value == pytest.approx(1000 * (before - after))
    assert found.since is not None
    assert found.since.at_ms == START_MS + 5 * DAY_MS


def test_an_ordinary_charge_is_no_equalizing_one() -> None:
    days = {**spreads([0.05] * 5), 5: [equalized(5, 2.47)], **spreads([0.02] * 5, first=6)}
    assert by_day(FLOODED, days, 12, "heat.equalize_effect") == []


# Drying out


def weeks(
    days: int, ohms: Sequence[float], rest: Sequence[float] | None, tail: Sequence[float] | None, capacity: float = 0.0
) -> Days:
    """From first to last value over the days, after 60 days that stay."""

    def at(pair: Sequence[float], day: int) -> float:
        return pair[0] + (pair[1] - pair[0]) * max(0, day - 60) / (days - 60)

    given: Days = {}
    for day in range(days):
        when = START_MS + day * DAY_MS
        one: list[Event] = [Resistance(when - DAY_MS, when, at(ohms, day), (), 0.01, 5, 60.0, 25.0, 0.2)]
        if tail:
            one.append(full(day, at(tail, day)))
        if rest:
            one.append(
                Rested(when, when, 10.0, at(rest, day), 0.003, "A", 0.0, 25.0, (), "charge", "proven", 1.0, 0.05)
            )
        if capacity and day % 7 == 0:
            amp_hours = at((200.0, 200.0 * capacity), day)
            one.append(Capacity(when, "observed", amp_hours, amp_hours, amp_hours, amp_hours, 25.0, 20.0))
        given[day] = one
    return given


@pytest.mark.parametrize(
    ("rest", "tail", "capacity", "seen"),
    [
        ((2.12, 2.15), (1.5, 4.0), 0.0, ["no_sign", "likely"]),
        ((2.12, 2.12), (1.5, 4.0), 0.0, ["no_sign"]),
        ((2.12, 2.09), (1.5, 1.5), 0.7, ["no_sign"]),
        (None, (1.5, 4.0), 0.0, ["no_sign", "suspected"]),
        (None, (1.5, 4.0), 0.7, ["no_sign", "likely"]),
        (None, (1.5, 1.5), 0.6, ["no_sign"]),
    ],
)
def test_signs_of_drying_out_go_together(
    rest: Sequence[float] | None, tail: Sequence[float], capacity: float, seen: list[str]
) -> None:
    """Drying; a rested voltage that stays; sulfation; sealed blocks without rests; the same with loss of capacity; and
    corrosion, which raises the resistance and takes capacity only."""
    found = by_day(AGM, weeks(180, (0.02, 0.03), rest, tail, capacity), 180, "heat.dry_out")
    assert [one.verdict for one in found] == seen
    if seen[-1] != "no_sign":
        assert found[-1].since is not None
        assert found[-1].since.at_ms > START_MS + 60 * DAY_MS


@pytest.mark.parametrize(("end_amps", "hours", "seen"), [(6.0, 4, "suspected"), (2.0, 4, "no_sign"), (6.0, 1, "")])
def test_gas_at_the_end_of_long_charges_is_a_sign_where_none_is_proven_full(
    end_amps: float, hours: int, seen: str
) -> None:
    """2 A at first. Charges that were not held for three hours end with charge, not with gas."""
    given = weeks(180, (0.02, 0.03), None, None)
    for day, events in given.items():
        amps = 2.0 + (end_amps - 2.0) * max(0, day - 60) / 120
        when = START_MS + day * DAY_MS
        events.append(
            ChargeEnded(when, when, "ended_early", 60.0, 2.4, hours * 3_600_000, amps, 40.0, 25.0),
        )
    found = by_day(FLOODED, given, 180, "heat.dry_out")
    assert (found[-1].verdict if found else "") == seen


@pytest.mark.parametrize(
    ("tail", "water_overdue", "seen"),
    [((1.5, 1.5), True, "no_sign"), ((1.5, 4.0), True, "likely"), ((1.5, 4.0), False, "suspected")],
)
def test_water_that_is_due_counts_only_where_the_gas_does_not_deny_it(
    tail: Sequence[float], water_overdue: bool, seen: str
) -> None:
    """Corrosion raises the resistance of a flooded bank as drying does, and the calendar knows no difference."""
    topic, ground, days = DryOut(ground_of(FLOODED)), limits_of(FLOODED.type), weeks(180, (0.02, 0.03), None, tail)
    found: list[Finding] = []
    for day in range(180):
        frame = make_frame(FLOODED, day * DAY, 0.0, 50.0)
        found += topic.push(Moment(frame, ground, list(days.get(day, []))), water_overdue)
    assert found[-1].verdict == seen


@pytest.mark.parametrize(("last", "seen"), [(90, ["no_sign", "suspected"]), (180, ["no_sign"])])
def test_rests_that_no_longer_come_deny_nothing(last: int, seen: list[str]) -> None:
    """A bank that dries is never proven full any more: what its rests said before says nothing of what it is now."""
    given = weeks(180, (0.02, 0.03), (2.12, 2.12), (1.5, 4.0))
    for day in range(last, 180):
        given[day] = [one for one in given[day] if not isinstance(one, Rested)]
    assert [one.verdict for one in by_day(AGM, given, 180, "heat.dry_out")] == seen


@pytest.mark.parametrize(
    ("light", "rest", "tail", "seen"),
    [
        ((2.12, 2.16), None, None, ["no_sign", "suspected"]),
        ((2.12, 2.16), None, (1.5, 4.0), ["no_sign", "likely"]),
        ((2.12, 2.12), None, (1.5, 4.0), ["no_sign"]),
        ((2.12, 2.16), (2.12, 2.12), None, ["no_sign"]),
    ],
)
def test_voltage_under_light_loads_stands_in_for_rests(
    light: Sequence[float], rest: Sequence[float] | None, tail: Sequence[float] | None, seen: list[str]
) -> None:
    """A bank in a house never rests. Stronger acid in it; with more gas; acid that stays; and rests, which know
    more, have not risen."""
    given = weeks(180, (0.02, 0.03), rest, tail)
    for day, events in given.items():
        volts = light[0] + (light[1] - light[0]) * max(0, day - 60) / 120
        events.append(LightlyLoaded(START_MS + day * DAY_MS, volts))
    assert [one.verdict for one in by_day(AGM, given, 180, "heat.dry_out")] == seen


def test_resistance_alone_is_not_drying_out() -> None:
    assert by_day(AGM, weeks(180, (0.02, 0.03), None, None), 180, "heat.dry_out") == []
