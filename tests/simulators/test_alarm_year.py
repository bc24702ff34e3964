"""Alarms of simulated banks: a healthy month is quiet, and each seeded fault is alarmed within its bound."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from loggerd.alarms.conditions import ALARM_CONDITIONS
from loggerd.mailing import receivers_of
from loggerd.model.alarm import AlarmChange, AlarmEvent, AlarmKey, AlarmState
from loggerd.model.ledger import Instant
from loggerd.settings.load import load_settings
from simulators.alarm_year.bounds import Answer, answer, bound_of, conditions_for
from simulators.alarm_year.cases import BOUNDED, Watch, faulty, healthy
from simulators.alarm_year.keeper import KEEPER
from simulators.alarm_year.table import MAILS_A_MONTH, as_json, mails_a_month, rates_of, report
from simulators.alarm_year.truth import BankTruth, runaway_minutes
from simulators.alarm_year.watching import BankYear, Raised, watched
from simulators.judging.chemistry import LAYOUTS, SITES
from simulators.judging.faults import CAUSES, draw_fault
from simulators.judging.site import DayRecord, Sites
from simulators.judging.stream import DAY_MS, Case

LAYOUT = "solar_agm"
MONTH = 30
SEED, SEASON = 5, 150
SHORT: dict[str, tuple[int, int, int]] = {
    "shorted_cell": (5, 3, 2),
    "thermal_runaway": (8, 2, 5),
    "dead_device": (5, 3, 1),
    "chronic_undercharge": (5, 4, 22),
    "out_of_balance": (5, 4, 7),
    "noisy_channel": (5, 3, 5),
}
"""By cause: seed of the bank, day on which the fault begins, days watched after that; all severe. A slow runaway whose
hold a dip of the voltage interrupts is alarmed a day later (seed 5 is one); the whole year counts how often."""


def watches() -> list[Watch]:
    cases = [Watch(Case(LAYOUT, SEED, MONTH, SEASON))]
    for cause, (seed, begin, days) in SHORT.items():
        fault = draw_fault(cause, 2, LAYOUT, seed, begin)
        minutes = {"thermal_runaway": 5, "dead_device": 1}.get(cause, 60)
        cases.append(Watch(Case(LAYOUT, seed, begin + days, SEASON, fault), minutes))
    return cases


@pytest.fixture(scope="module")
def years() -> dict[str, BankYear]:
    """Simulated together, which costs little more than one of them."""
    return {"healthy" if one.begin_ms is None else answer(one).fault.cause: one for one in watched(watches())}


def told(raised: Iterable[Raised]) -> list[str]:
    return [f"{one.key.condition} {one.key.subject} on day {one.at_ms / DAY_MS:.2f}: {one.reason}" for one in raised]


def test_a_healthy_month_is_quiet(years: dict[str, BankYear]) -> None:
    year = years["healthy"]
    assert year.watch.case.days == MONTH
    assert mails_a_month(year) < MAILS_A_MONTH, told(year.raised)
    assert [one.measure for one in rates_of([year]) if one.met is False] == []


@pytest.mark.parametrize("cause", SHORT)
def test_a_fault_is_alarmed_within_its_bound_and_mailed(years: dict[str, BankYear], cause: str) -> None:
    year = years[cause]
    found = answer(year)
    bound = bound_of(found)
    assert bound is not None
    assert bound.met is True, (bound, told(year.raised))
    assert found.right is not None and found.mailed_ms is not None
    assert 0 <= found.mailed_ms - found.right.looked_ms <= 60_000


def test_what_is_printed_has_every_figure(years: dict[str, BankYear]) -> None:
    text = report(list(years.values()))
    plain = as_json(list(years.values()))
    assert text.count(" met\n") == sum(line.endswith(" met") for line in text.splitlines()) >= len(SHORT)
    assert {one["cause"] for one in plain["faults"]} == set(SHORT)
    assert [one["days"] for one in plain["healthy"]] == [MONTH]


def late(year: BankYear, cause: str, by_ms: int) -> Answer:
    """The same case with all its alarms so much later."""
    raised = [replace(one, at_ms=one.at_ms + by_ms, looked_ms=one.looked_ms + by_ms) for one in year.raised]
    return answer(replace(year, raised=raised))


@pytest.mark.parametrize(
    ("cause", "by_ms"),
    [
        ("shorted_cell", 5 * DAY_MS),
        ("thermal_runaway", 4 * 3_600_000),
        ("dead_device", 2 * 60_000),
        ("chronic_undercharge", 21 * DAY_MS),
    ],
)
def test_an_alarm_that_comes_late_misses_its_bound(years: dict[str, BankYear], cause: str, by_ms: int) -> None:
    year = years[cause]
    if cause == "shorted_cell":
        rest = year.truth.rests_ms
        year = replace(
            year, truth=replace(year.truth, rests_ms=[*rest, *(rest[-1] + day * DAY_MS for day in (1, 2, 3))])
        )
    bound = bound_of(late(year, cause, by_ms))
    assert bound is not None and bound.met is False


@pytest.mark.parametrize("cause", SHORT)
def test_no_alarm_at_all_is_never_within_a_bound(years: dict[str, BankYear], cause: str) -> None:
    found = answer(replace(years[cause], raised=[]))
    bound = bound_of(found)
    assert (found.kind, found.right) == ("none", None)
    assert bound is not None and not bound.met


def test_an_alarm_at_another_block_is_not_the_right_one(years: dict[str, BankYear]) -> None:
    year = years["shorted_cell"]
    right = answer(year).right
    assert right is not None
    other = f"block {int(right.key.subject.split()[1]) % LAYOUTS[LAYOUT].blocks + 1}"
    raised = [replace(one, key=replace(one.key, subject=other)) for one in year.raised]
    assert answer(replace(year, raised=raised)).right is None


def test_the_same_alarm_over_and_over_is_not_one_alarm(years: dict[str, BankYear]) -> None:
    year = years["noisy_channel"]
    found = answer(year)
    assert found.right is not None
    again = replace(found.right, looked_ms=found.right.looked_ms + DAY_MS, told=2)
    bound = bound_of(answer(replace(year, raised=[*year.raised, again])))
    assert bound is not None and bound.met is False


def chattering(year: BankYear) -> BankYear:
    key = AlarmKey("bank", "low_voltage", "bank")
    changes = []
    for number in range(40):
        event = (AlarmEvent.RAISED, AlarmEvent.CLEARED)[number % 2]
        at = Instant(1, year.start_ms + number * 10_000)
        changes.append(AlarmChange(key, at, event, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, "loggerd"))
    return replace(year, changes=changes)


def test_rates_that_are_too_high_are_said_to_be(years: dict[str, BankYear]) -> None:
    missed = {one.measure for one in rates_of([chattering(years["healthy"])]) if one.met is False}
    assert {"chattering alarms", "most in an hour, in ten minutes"} <= missed


def test_a_rest_and_a_discharge_are_counted_once() -> None:
    truth = BankTruth(100.0)
    for minute in range(600):
        truth._count(minute, -12.0 if minute < 60 else 0.5 if minute < 300 else 12.0)
    assert truth.rests_ms == [60 + 59]
    assert len(truth.discharges_ms) == 1


def test_the_usual_keeper_is_one_of_the_settings_with_nothing_but_an_address(tmp_path: Path) -> None:
    text = (Path(__file__).parents[1] / "helpers" / "hand_recording.py").read_text(encoding="utf-8")
    site = text.partition('SITE = """\\\n')[2].partition('"""')[0]
    mail = '[mail]\nserver = "127.0.0.1"\nsecurity = "none"\nfrom = "a@b.example"\n'
    keeper = f'[[keeper]]\nname = "{KEEPER.name}"\nmail = "{KEEPER.address}"\n'
    (tmp_path / "site.toml").write_text(site + mail + keeper, encoding="utf-8")
    assert receivers_of(load_settings(tmp_path / "site.toml")) == (KEEPER,)


def test_cases_are_drawn_again_by_their_entropy_and_cover_all_sites() -> None:
    assert healthy(1, 4, 365) == healthy(1, 4, 365) != healthy(2, 4, 365)
    assert {LAYOUTS[one.case.layout].site for one in healthy(1, 3, 365)} == set(SITES)
    drawn = faulty(1, list(BOUNDED))
    assert drawn == faulty(1, list(BOUNDED))
    assert {one.case.fault.cause for one in drawn if one.case.fault is not None} == set(BOUNDED)
    with pytest.raises(ValueError, match="rust"):
        faulty(1, ["rust"])


def test_the_right_conditions_of_a_cause_are_those_whose_findings_name_it() -> None:
    names = {one.name for one in ALARM_CONDITIONS}
    for cause in CAUSES:
        right, too = conditions_for(cause)
        assert right | too <= names
        assert not right & too
    assert all(conditions_for(cause)[0] for cause in BOUNDED)
    assert "shorted_cell" in conditions_for("shorted_cell")[0]
    assert "undercharged" in conditions_for("set_point_low")[1]
    assert conditions_for("sulfation")[0] == {"sulfating"}


@pytest.mark.parametrize(("minutes", "shows"), [(6, False), (25, True)])
def test_a_runaway_shows_only_where_the_voltage_was_held(minutes: int, shows: bool) -> None:
    """Under clouds the voltage wanders, and a few minutes alike by chance are no voltage held. The current rises by
    half, and the blocks are hot, in both."""
    sites = Sites(LAYOUTS["solar_agm"], [SEED])
    sites.cells.condition.gas[:] = 40.0
    count, layout = 60, sites.layout
    volts = np.where(np.arange(count) % 2, 53.0, 57.0)
    volts[20 : 20 + minutes] = 57.6
    amps = np.full(count, 10.0)
    amps[20 : 20 + minutes] = np.linspace(10.0, 15.0, minutes)
    blocks = (count, 1, layout.strings, layout.blocks_per_string)
    celsius = np.linspace(50.0, 60.0, count)[:, None, None, None] * np.ones(blocks)
    record = DayRecord(
        volts[:, None], np.zeros((count, 1)), amps[:, None], (amps[:, None, None] / 2.0) * np.ones((count, 1, 2)),
        volts[:, None, None, None] / layout.blocks_per_string * np.ones(blocks), celsius, np.full((count, 1), 20.0),
        np.ones((count, 1)),
    )  # fmt: skip
    assert bool(runaway_minutes(record, 0, sites).any()) is shows
