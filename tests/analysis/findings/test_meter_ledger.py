"""Ohms that jump, a ledger that cannot be, and inputs that show their neighbour's block; and what looks alike."""

from __future__ import annotations

import json
from math import isnan
from types import SimpleNamespace
from typing import Any

import pytest

from loggerd.analysis.findings.meter_bypass import Bypass
from loggerd.analysis.findings.meter_common import Facts
from loggerd.analysis.findings.meter_fingerprint import Fingerprint
from loggerd.analysis.findings.meter_ledger import Ledger
from loggerd.analysis.findings.meter_ohms import DayOhms
from loggerd.analysis.findings.meter_scale import Scale
from loggerd.model.bank import BankType


def _ohms(by_day: list[float]) -> DayOhms:
    return _ohms_at(list(enumerate([*by_day, by_day[-1]])))


def _ohms_at(by_day: list[tuple[int, float]]) -> DayOhms:
    """The last day is still open."""
    days = DayOhms()
    for day, ohms in by_day:
        for change in range(8):
            rate = 0.05 * (-1) ** change
            days.add(288 * day + change, ohms * rate, rate)
    return days


@pytest.mark.parametrize(("factor", "fell", "rose"), [(2 / 3, True, False), (2.4, False, True), (0.9, False, False)])
def test_ohms_that_jump_are_told_from_those_that_vary(factor: float, fell: bool, rose: bool) -> None:
    days = _ohms([0.3] * 12 + [0.3 * factor] * 4)
    assert (bool(days.fell), bool(days.rose)) == (fell, rose)
    if fell:
        assert days.fell[0] == 12 and days.fell[2] == pytest.approx(factor)


@pytest.mark.parametrize("growth", [1.015, 0.985])
def test_ohms_that_creep_never_jump(growth: float) -> None:
    days = _ohms([0.3 * growth**day for day in range(60)])
    assert not days.fell and not days.rose


def test_ohms_that_come_back_from_a_rise_have_not_fallen() -> None:
    """A string that was off for some days doubles them, and is back again."""
    assert not _ohms([0.3] * 12 + [0.6] * 6 + [0.3] * 5).fell


def test_a_fall_ends_when_the_ohms_are_back() -> None:
    assert not _ohms([0.3] * 12 + [0.2] * 5 + [0.3] * 4).fell


@pytest.mark.parametrize(
    ("later", "fell"), [((0.19, 0.2, 0.18, 0.19, 0.235), True), ((0.24, 0.25, 0.23, 0.24, 0.28), False)]
)
def test_a_fall_that_scatter_hides_for_days_is_seen_in_two_weeks(later: tuple[float, ...], fell: bool) -> None:
    before = [0.296, 0.25, 0.238, 0.3, 0.29, 0.24] * 4
    days = _ohms([*before, *later, *later])
    assert bool(days.fell) is fell
    if fell:
        assert days.fell[2] == pytest.approx(0.19 / 0.27, abs=0.05)


def test_the_first_days_alone_make_no_fall() -> None:
    """Ohms by days of the first two weeks, as a bank under a weak sun showed them: no scale changes to and fro."""
    days = [
        0.485,
        1.787,
        0.577,
        0.605,
        0.571,
        0.524,
        0.574,
        0.726,
        0.521,
        0.415,
        0.346,
        0.353,
        0.595,
        0.592,
        0.676,
        0.407,
    ]
    assert not any(_ohms(days[:count]).fell for count in range(4, len(days)))


def test_a_fall_that_never_came_back_is_forgotten_in_a_year() -> None:
    later = [0.265] * 300
    assert _ohms([0.3] * 12 + [0.2] * 20 + later).stays
    assert not _ohms([0.3] * 12 + [0.2] * 20 + later + [0.265] * 60).stays


def test_days_that_read_too_high_do_not_end_a_fall() -> None:
    days = _ohms([0.3] * 12 + [0.2] * 5 + [0.31, 0.33, 0.2, 0.9, 0.3, 0.21, 0.32])
    assert days.fell


def _season(first: int, count: int, ohms: float) -> list[tuple[int, float]]:
    return [(day, ohms) for day in range(first, first + count)]


@pytest.mark.parametrize("summer", [0.24, 0.54])
def test_idle_months_between_two_uses_make_no_jump(summer: float) -> None:
    days = _ohms_at(_season(0, 20, 0.36) + _season(120, 25, summer))
    assert not days.fell and not days.rose


def test_days_far_from_each_other_are_no_day_to_the_next() -> None:
    sparse = [(5 * day, 0.36 if day < 12 else 0.2) for day in range(20)]
    assert not _ohms_at(sparse).fell


@pytest.mark.parametrize("later", [0.2, 0.6])
def test_a_jump_of_long_ago_is_dropped(later: float) -> None:
    def after(count: int) -> DayOhms:
        return _ohms([0.3] * 12 + [later] * count)

    assert after(60).fell or after(60).rose
    assert not after(80).fell and not after(80).rose
    assert bool(after(80).stays) == (later < 0.3), "that the ohms have not come back is still known"


def _scale_finding(source: int) -> Any:
    ground = SimpleNamespace(bank=SimpleNamespace(rated_amp_hours=100.0, rated_hours=20.0), accuracy={})
    facts = Facts(sign="right", days=_ohms([0.3] * 12 + [0.228] * 4))
    frame = SimpleNamespace(number=20 * 288, marks={}, after_unknown=False, missed=0, session=0)
    look = SimpleNamespace(frame=frame, judged=False, source=source, at_ms=20 * 86_400_000, at=None)
    moment = SimpleNamespace(entries=(), events=[], limits={})
    facts.days.fell = [12, 0.3, 0.76]
    scale = Scale(ground)  # type: ignore[arg-type]
    found = scale.push(look, moment, facts)  # type: ignore[arg-type]
    assert scale.push(look, moment, facts) == [], "it is said once"  # type: ignore[arg-type]
    return found[0]


def test_a_jump_is_laid_to_the_scale_only_where_the_blocks_are_read() -> None:
    sure, unsure = _scale_finding(4), _scale_finding(0)
    assert (sure.verdict, unsure.verdict) == ("too_large", "cannot_tell")
    assert "only 76 % as much for each amp shown as it did until 1970-01-13" in sure.reason
    assert "or terminals or blocks that were renewed" in unsure.reason


def _ledger(out: float, bulk: float, inward: float, rest: float = 0.0, hours: float = 24.0) -> Ledger:
    """Ten charges after a time in which nothing flowed at rest, so that `rest` is new."""
    cycles = [[out, bulk, inward, hours, day] for day in range(10)]
    return Ledger(cycles, rests=[rest] * 4, usual=0.0, known=20)


def test_a_bank_that_gives_more_than_it_gets_has_a_charger_past_the_shunt() -> None:
    assert _ledger(0.3, 0.1, 0.13).verdict(10, None) == "charger"
    assert _ledger(0.3, 0.1, 0.32).verdict(10, None) == ""


def test_a_zero_that_has_moved_is_no_bypass() -> None:
    """0.005 of the rated amps for 24 hours: 0.12 less in each account."""
    assert _ledger(0.3, 0.1, 0.2, rest=-0.005).verdict(10, None) == ""
    assert _ledger(0.3, 0.1, 0.2).verdict(10, None) == "charger"


def test_a_load_past_the_shunt_is_told_from_gassing() -> None:
    assert _ledger(0.12, 0.25, 0.33).verdict(10, None) == "load", "before gas begins nothing is lost"
    assert _ledger(0.12, 0.1, 0.33).verdict(10, None) == "", "that may be gas"
    assert _ledger(0.12, 0.1, 0.33).verdict(10, 2) == "load", "but not if the ohms rose at once"
    assert _ledger(0.3, 0.1, 0.43).verdict(10, 2) == "", "an overcharge"


def test_the_ledger_comes_back_from_plain_as_it_was() -> None:
    ledger = _ledger(0.3, 0.1, 0.13)
    ledger.verdict(10, None)
    assert Ledger.from_plain(ledger.to_plain()).to_plain() == ledger.to_plain()


def test_ohms_that_rose_speak_only_of_the_charges_after_it_and_not_for_long() -> None:
    assert _ledger(0.12, 0.1, 0.33).verdict(10, 5) == "load", "four charges after it"
    assert _ledger(0.12, 0.1, 0.33).verdict(10, 6) == "", "three"
    assert _ledger(0.12, 0.1, 0.33).verdict(40, 2) == "", "too long ago"


@pytest.mark.parametrize(
    ("today", "rose", "told"), [(41, 2, "load"), (41, None, ""), (100, None, "load")], ids=["on", "back", "expired"]
)
def test_a_load_that_was_told_stands_while_the_charges_go_on_like_that(today: int, rose: int | None, told: str) -> None:
    ledger = _ledger(0.12, 0.1, 0.33)
    assert ledger.verdict(10, 2) == "load"
    ledger.cycles = [[0.12, 0.1, 0.33, 24.0, day] for day in range(today - 9, today + 1)]
    ledger.judged = []
    assert ledger.verdict(today, rose) == told


RATED = 100.0
Row = tuple[float, float, int]
"""Rate as the meter shows it, volts of a cell, frames."""


def _day(seen_load: float = 1.0, seen_charge: float = 1.0, charge: float = 0.1, hole: int = 0) -> list[Row]:
    """A discharge by 0.3 of the rated amp-hours, its charge, and rest. A hole has no readings: NaN volts."""
    count = round(0.24 * 12 / charge)
    bulk = [(seen_charge * charge, 2.1, 2), (0.0, float("nan"), hole), (seen_charge * charge, 2.15, count - 2 - hole)]
    rest = 288 - 48 - count - 48
    return [(-0.075 * seen_load, 2.05, 48), *bulk, (seen_charge * 0.02, 2.35, 48), (0.0, 2.14, rest)]


_BEGIN = 20_000 * 288
"""Frames are counted from the year 1970 on."""
FLOAT: list[Row] = [(0.0, 2.14, 15), (-0.08, 2.05, 3), (0.02, 2.15, 12), (0.005, 2.23, 336), (0.005, 2.35, 36)]
RUNS: dict[str, tuple[list[Row], str, str]] = {
    "sound": (_day(), "right", "took charge back"),
    "load": (_day(seen_load=1 / 3), "bypassed_load", "before gas began, more than was ever taken out"),
    "charger": (_day(seen_charge=0.5), "bypassed_charger", "nor can the zero of the meter explain it"),
    "float": (FLOAT, "", ""),
    "an hour lost": (_day(hole=12), "right", "took charge back"),
    "the half of a fast charge lost": (_day(charge=0.2, hole=8), "right", "took charge back"),
}


def _run(
    rows: list[Row],
    restarts: bool,
    of: BankType = BankType.AGM,
    celsius: float = 25.0,
    box: bool = False,
    changes: float = 0.0,
) -> list[Any]:
    """Ten days of it, in air of 25 °C; blocks as warm as `celsius` on charge, or in a box always."""
    ground: Any = SimpleNamespace(bank=SimpleNamespace(rated_amp_hours=RATED, type=of))
    limits = {"rest_volts_full": 2.12, "bypass_events_per_day": 8.0, "cell_ohm_amp_hours_high": 3.0}
    moment: Any = SimpleNamespace(limits=limits, events=[])
    bypass, found, missed, number = Bypass(ground), [], 0, _BEGIN
    while number < _BEGIN + 10 * 288:
        for steady, volts, count in rows:
            for _ in range(count):
                number += 1
                rate = steady * (1.01 if number % 2 else 0.99)  # the same to the last digit is a dead current
                if isnan(volts):
                    missed += 1
                    continue
                ours = {"amp_hours": rate * RATED / 12, "missed": missed, "after_unknown": False, "marks": {}}
                warm = celsius if volts > 2.12 or box else 25.0
                frame = SimpleNamespace(number=number, session=0, celsius=warm, ambient_celsius=25.0, **ours)
                at = {"follows": missed == 0, "judged": True, "at_ms": (number + 1) * 300_000, "at": None}
                look: Any = SimpleNamespace(frame=frame, rate=rate, volts=volts, spread=0.0, highs=[rate], **at)
                found += bypass.push(look, moment, Facts(sign="right", changes=changes))
                missed = 0
                if restarts and number % 50 == 0:
                    plain = json.loads(json.dumps(bypass.to_plain()))
                    bypass = Bypass(ground)
                    bypass.load_plain(plain)
    return found


@pytest.mark.parametrize(
    ("of", "celsius", "box", "told"),
    [
        (BankType.AGM, 32.0, False, True),
        (BankType.AGM, 34.0, False, False),
        (BankType.AGM, 34.0, True, True),
        (BankType.FLOODED_ANTIMONY, 34.0, False, True),
        (BankType.AGM, float("nan"), True, True),
    ],
)
def test_sealed_blocks_far_above_the_air_turn_into_heat_what_they_take(
    of: BankType, celsius: float, box: bool, told: bool
) -> None:
    found = _run(_day(seen_load=1 / 3), restarts=False, of=of, celsius=celsius, box=box)
    assert ("bypassed_load" in [one.verdict for one in found]) == told


@pytest.mark.parametrize(("quiet_volts", "told"), [(2.145, False), (2.12, True)])
def test_a_low_float_that_goes_is_no_load_past_the_shunt(quiet_volts: float, told: bool) -> None:
    """A full cell rests at 2.12 V: what stood above it was held, and falls when its charger goes for a moment."""
    dips = [(0.0004, quiet_volts, 7), (0.0004, quiet_volts - 0.03, 2)] * 32
    found = _run([*dips, *_day()], restarts=False, changes=20.0)
    assert ("bypassed_load" in [one.verdict for one in found]) == told
    assert told or "right" not in [one.verdict for one in found], "a load may make them as well"


def test_dips_of_a_low_float_are_forgotten_after_a_week() -> None:
    dips = [(0.0004, 2.145, 7), (0.0004, 2.115, 2)] * 32
    assert "right" in [one.verdict for one in _run([*dips, *_day() * 9], restarts=False, changes=20.0)]


@pytest.mark.parametrize("name", list(RUNS))
def test_ten_days_of_a_bank(name: str) -> None:
    rows, verdict, words = RUNS[name]
    found = _run(rows, restarts=False)
    last = [one for one in found if one.verdict != "cannot_tell"][-1:]
    assert [one.verdict for one in last] == ([verdict] if verdict else [])
    assert all(words in one.reason for one in last)
    assert not [one.verdict for one in found if one.verdict.startswith("bypassed") and one.verdict != verdict]
    assert _run(rows, restarts=True) == found


def test_a_second_charge_of_a_cycle_is_not_before_gas() -> None:
    """A touch of an hour, and what is taken after it, follow gas that has passed already."""
    ledger = Ledger(void=False)
    for rate, volts, count in [(0.1, 2.15, 12), (0.1, 2.3, 12), (-0.1, 2.1, 3), (0.1, 2.2, 12), (0.02, 2.35, 30)]:
        for _ in range(count):
            frame: Any = SimpleNamespace(number=1, missed=0, celsius=25.0)
            look: Any = SimpleNamespace(frame=frame, rate=rate, volts=volts, follows=True, highs=[rate])
            ledger.push(look, rate / 12)
    assert ledger.full and ledger.bulk == pytest.approx(0.1)


@pytest.mark.parametrize(("missed", "cycles"), [(2, 1), (12, 0)])
def test_a_cycle_with_many_frames_missing_is_not_counted(missed: int, cycles: int) -> None:
    """Even where no current is seen on either side of the hole."""
    ledger = Ledger(void=False)
    for rate, volts, count in [(0.0, 2.14, 1), (-0.1, 2.1, 48), (0.1, 2.15, 48), (0.02, 2.35, 30), (0.0, 2.14, 1)]:
        for _ in range(count):
            frame: Any = SimpleNamespace(number=1, missed=0 if ledger.hours else missed, celsius=25.0)
            look: Any = SimpleNamespace(frame=frame, rate=rate, volts=volts, follows=True, highs=[rate])
            ledger.push(look, rate / 12)
    assert len(ledger.cycles) == cycles


@pytest.mark.parametrize(("celsius", "cycles"), [(44.0, 1), (46.0, 0), (float("nan"), 1)])
def test_a_cycle_of_hot_blocks_is_not_counted(celsius: float, cycles: int) -> None:
    """They gas long before the usual voltage, so that what went in before is not what was missing."""
    ledger = Ledger(void=False)
    for rate, volts, count in [(0.0, 2.14, 1), (-0.1, 2.1, 48), (0.1, 2.15, 48), (0.02, 2.35, 30), (0.0, 2.14, 1)]:
        for _ in range(count):
            frame: Any = SimpleNamespace(number=1, missed=0, celsius=celsius if volts > 2.3 else 25.0)
            look: Any = SimpleNamespace(frame=frame, rate=rate, volts=volts, follows=True, highs=[rate])
            ledger.push(look, rate / 12)
    assert len(ledger.cycles) == cycles


USUAL = {"rest": [0.0, 0.0, 0.0, 0.0, 0.0], "charge": [0.02, -0.03, 0.05, 0.0, -0.04]}
INPUT_ERRORS = [0.03, -0.02, 0.04, 0.0, -0.03]


def _prints(shifted: bool, block_share: float = 1.0) -> Fingerprint:
    prints = Fingerprint()
    for _ in range(60):
        for here, blocks in USUAL.items():
            volts = [6.0 + block_share * one for one in blocks]
            prints.learn([one + error for one, error in zip(volts, INPUT_ERRORS, strict=True)], here)
    for _ in range(20):
        for here, blocks in USUAL.items():
            volts = [6.0 + block_share * one for one in blocks]
            read = [*volts[1:], 0.0] if shifted else [*volts[:-1], 0.0]
            prints.follow([one + error for one, error in zip(read, INPUT_ERRORS, strict=True)], here)
    return prints


def test_inputs_that_show_their_neighbours_are_told_from_one_wire_that_is_off() -> None:
    assert _prints(shifted=True).moved([0], 5, last=True) == "shifted"
    assert _prints(shifted=False).moved([0], 5, last=True) == "stayed"


def test_blocks_that_are_all_alike_tell_nothing() -> None:
    assert _prints(shifted=True, block_share=0.0).moved([0], 5, last=True) == ""


def test_without_a_time_before_nothing_is_told() -> None:
    prints = Fingerprint()
    for _ in range(20):
        prints.follow([6.0, 6.1, 6.2, 0.0], "charge")
    assert prints.moved([0], 4, last=True) == ""
