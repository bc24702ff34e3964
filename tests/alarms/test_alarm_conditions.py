"""One contract for every entry of the catalogue of alarm conditions."""

from __future__ import annotations

import pytest

from loggerd.alarms.catalogue import AlarmCondition
from loggerd.alarms.conditions import ALARM_CONDITIONS, NOT_ALARMED, condition_of
from loggerd.alarms.quiet import QUIET_TIMES
from loggerd.alarms.rates import priority_split
from loggerd.analysis.findings import FINDINGS, spec_of
from loggerd.model.alarm import Priority, Visit
from loggerd.model.log_kinds import log_kind

NAMES = [one.name for one in ALARM_CONDITIONS]
FAULTS = [(spec.name, verdict.word) for spec in FINDINGS for verdict in spec.verdicts if verdict.weight >= 50]
EXPECTED = """
    out_of_balance undercharged low_capacity shorted_cell high_resistance_link open_circuit runaway too_hot low_voltage
    over_discharge freezing overcharge water_due equalize_advisable sensor_fault device_silent clock_not_set
    disk_filling record_damaged mail_stuck logger_silent
"""


def alarmed(finding: str, verdict: str) -> list[str]:
    return [
        one.name for one in ALARM_CONDITIONS for name, words in one.findings if name == finding and verdict in words
    ]


def test_names_are_unique_words_and_what_keepers_count_on_is_there() -> None:
    assert len(set(NAMES)) == len(NAMES)
    assert all(name.isidentifier() and name == name.lower() for name in NAMES)
    assert set(EXPECTED.split()) <= set(NAMES)


@pytest.mark.parametrize("condition", ALARM_CONDITIONS, ids=NAMES)
def test_an_entry_names_only_what_exists(condition: AlarmCondition) -> None:
    for name, verdicts in condition.findings:
        for verdict in verdicts:
            assert spec_of(name).verdict(verdict).weight > 0, f"{name} {verdict} is not wrong"
    assert set(condition.roots) | set(condition.roots_here) <= set(NAMES)
    assert not set(condition.roots) & set(condition.roots_here)
    assert set(condition.quiet_while) <= {one.name for one in QUIET_TIMES}


@pytest.mark.parametrize("condition", ALARM_CONDITIONS, ids=NAMES)
def test_later_verdicts_of_an_entry_are_not_lighter(condition: AlarmCondition) -> None:
    for name, verdicts in condition.findings:
        weights = [spec_of(name).verdict(verdict).weight for verdict in verdicts]
        assert weights == sorted(weights), f"{name}: the least bad comes first"


@pytest.mark.parametrize("condition", ALARM_CONDITIONS, ids=NAMES)
def test_priority_goes_with_the_time_to_act(condition: AlarmCondition) -> None:
    assert condition.respond_hours > 0
    assert condition.off_delay_ms >= 60_000, "it would chatter"
    if condition.visit is Visit.NOW:
        assert condition.respond_hours <= 24
    if condition.visit is Visit.WEEK:
        assert condition.respond_hours <= 7 * 24
    assert condition.safety == (condition.priority is Priority.CRITICAL)
    if condition.safety:
        assert condition.on_delay_ms == 0
        assert not condition.quiet_while
        assert condition.visit is Visit.NOW


@pytest.mark.parametrize(("finding", "verdict"), FAULTS, ids=[f"{name} {word}" for name, word in FAULTS])
def test_every_fault_is_alarmed_once_or_left_out_with_a_reason(finding: str, verdict: str) -> None:
    reasons = [why for name, word, why in NOT_ALARMED if (name, word) == (finding, verdict)]
    assert len(alarmed(finding, verdict)) + len(reasons) == 1
    assert all(len(why) > 15 for why in reasons)


def test_no_verdict_is_alarmed_twice_and_danger_is_urgent() -> None:
    for spec in FINDINGS:
        for verdict in spec.verdicts:
            names = alarmed(spec.name, verdict.word)
            assert len(names) <= 1
            if verdict.weight >= 90 and names:
                assert condition_of(names[0]).priority in (Priority.CRITICAL, Priority.HIGH)


def test_what_is_left_out_exists() -> None:
    for name, word, _ in NOT_ALARMED:
        assert spec_of(name).verdict(word)


def test_no_alarm_is_its_own_root() -> None:
    def above(name: str, seen: tuple[str, ...]) -> None:
        assert name not in seen, f"{' < '.join((*seen, name))}"
        for root in (*condition_of(name).roots, *condition_of(name).roots_here):
            above(root, (*seen, name))

    for name in NAMES:
        above(name, ())


def test_quiet_times_are_kinds_of_the_log_book() -> None:
    for one in QUIET_TIMES:
        assert log_kind(one.begins) and log_kind(one.ends)


def test_few_are_high() -> None:
    """The published split is for plants with hundreds of alarms; here only its direction is asked for."""
    low, medium, high = priority_split(one.priority for one in ALARM_CONDITIONS)
    assert low.count + medium.count > 1.5 * high.count
    assert sum(one.priority is Priority.CRITICAL for one in ALARM_CONDITIONS) <= 5
