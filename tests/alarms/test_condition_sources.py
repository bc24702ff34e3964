"""What makes conditions true: findings, health of devices and of the logger, and what the log book holds back."""

from __future__ import annotations

import json

import pytest
from alarm_tools import HOUR, MINUTE
from hypothesis import given
from hypothesis import strategies as st

from loggerd.alarms.conditions import ALARM_CONDITIONS
from loggerd.alarms.from_findings import conditions_of
from loggerd.alarms.from_health import DeviceHealth, LoggerHealth, conditions_of_devices, conditions_of_logger
from loggerd.alarms.places import same_place
from loggerd.alarms.quiet import quiet_now
from loggerd.model.alarm import Alarm, AlarmChange, AlarmEvent, AlarmKey, AlarmState, ConditionNow
from loggerd.model.alarm_plain import alarm_from_plain, alarm_to_plain, change_from_plain, change_to_plain
from loggerd.model.finding import Finding, Grade
from loggerd.model.ledger import Figure, Instant
from loggerd.model.log_book import LogEntry


def finding(name: str, verdict: str, subject: str = "block 7", at_ms: int = 5, **more: object) -> Finding:
    grade = more.get("grade", Grade.OBSERVED)
    assert isinstance(grade, Grade)
    return Finding(name, subject, verdict, grade, "because", Instant(1, at_ms), 1.5, 1.0, 2.0)


def told(*findings: Finding, devices: dict[str, str] | None = None) -> dict[str, ConditionNow]:
    return {one.key.condition: one for one in conditions_of("b", findings, ALARM_CONDITIONS, devices)}


def test_a_finding_makes_its_condition_true_with_its_figures() -> None:
    (one,) = told(finding("blocks.cause", "out_of_balance")).values()
    assert one.key == AlarmKey("b", "out_of_balance", "block 7")
    assert (one.true, one.since, one.reason) == (True, Instant(1, 5), "because")
    assert one.evidence == (Figure("blocks.cause", 1.5, 1.0, 2.0),)


def test_only_the_newest_counts_and_what_is_right_makes_nothing_true() -> None:
    assert told(finding("blocks.cause", "out_of_balance"), finding("blocks.cause", "fine", at_ms=6)) == {}


def test_cannot_tell_is_not_taken_for_right() -> None:
    found = told(finding("heat.runaway", "cannot_tell", "bank", grade=Grade.CANNOT_TELL))
    assert {name: (one.true, one.known) for name, one in found.items()} == {
        "runaway": (False, False),
        "runaway_watch": (False, False),
    }


def test_two_findings_of_one_condition_make_one_the_worse() -> None:
    cause, short = finding("blocks.cause", "shorted_cell"), finding("blocks.short", "shorted_cell")
    assert told(cause, short)["shorted_cell"].level == 1
    unsure = finding("blocks.short", "gone", grade=Grade.CANNOT_TELL)
    assert told(cause, unsure)["shorted_cell"].true
    assert not told(finding("blocks.cause", "fine"), unsure)["shorted_cell"].known


def test_a_silent_channel_follows_its_device() -> None:
    devices = {"block_7_volts": "taps", "amps": "shunt"}
    one = told(finding("meter.channel", "silent", "block_7_volts"), devices=devices)["sensor_fault"]
    assert one.follows == (AlarmKey("", "device_silent", "taps"),)
    several = told(finding("meter.channel", "silent", "bank"), devices=devices)["sensor_fault"]
    assert [key.subject for key in several.follows] == ["shunt", "taps"]
    assert told(finding("blocks.cause", "open"), devices=devices)["open_circuit"].follows == ()


@pytest.mark.parametrize(
    ("silent_ms", "interval_ms", "silent"),
    [
        (2 * MINUTE - 1, 1000, False),
        (2 * MINUTE, 1000, True),
        (3 * MINUTE - 1, MINUTE, False),
        (3 * MINUTE, MINUTE, True),
    ],
)
def test_a_device_is_silent_after_three_polls_but_not_at_once(silent_ms: int, interval_ms: int, silent: bool) -> None:
    found = conditions_of_devices([DeviceHealth("meter", silent_ms, interval_ms)])
    assert [one.key for one in found] == ([AlarmKey("", "device_silent", "meter")] if silent else [])


@pytest.mark.parametrize(
    ("health", "names"),
    [
        (LoggerHealth(), []),
        (LoggerHealth(disk_days_left=30.0, disk_free_fraction=0.5), []),
        (LoggerHealth(disk_days_left=3.0), ["disk_filling"]),
        (LoggerHealth(disk_free_fraction=0.01), ["disk_filling"]),
        (LoggerHealth(not_stored_ms=5 * MINUTE), ["not_storing"]),
        (LoggerHealth(mail_waiting_ms=6 * HOUR), ["mail_stuck"]),
        (LoggerHealth(mail_waiting_ms=HOUR), []),
        (LoggerHealth(mail_refused="550 no such user"), ["mail_stuck"]),
        (LoggerHealth(record_damage="a page"), ["record_damaged"]),
        (LoggerHealth(clock_unset="no time server"), ["clock_not_set"]),
        (LoggerHealth(not_polling="line 1"), ["polling_stopped"]),
        (LoggerHealth(watched_silent_ms=(("hut", HOUR), ("barn", 0))), ["logger_silent"]),
    ],
)
def test_the_loggers_own_conditions(health: LoggerHealth, names: list[str]) -> None:
    found = conditions_of_logger(health)
    assert [one.key.condition for one in found] == names
    assert {one.name for one in ALARM_CONDITIONS} >= set(names)
    assert all(one.true and one.reason for one in found)


def entry(uid: str, kind: str, happened_ms: int, corrects: str | None = None) -> LogEntry:
    return LogEntry(uid, "b", kind, happened_ms, "keeper", corrects=corrects)


def test_equalizing_in_the_log_book_lasts_until_it_has_ended_and_a_while_after() -> None:
    begun = entry("a", "equalizing_begun", 10 * HOUR)
    ended = entry("b", "equalizing_ended", 14 * HOUR)
    assert quiet_now([begun], 9 * HOUR) == {}
    assert set(quiet_now([begun], 12 * HOUR)) == {"equalizing"}
    assert set(quiet_now([begun, ended], 15 * HOUR)) == {"equalizing"}
    assert quiet_now([begun, ended], 16 * HOUR) == {}
    assert quiet_now([begun], 34 * HOUR) == {}, "an end that nobody wrote down"
    again = entry("c", "equalizing_begun", 20 * HOUR)
    assert set(quiet_now([begun, ended, again], 21 * HOUR)) == {"equalizing"}


def test_a_correction_moves_the_beginning() -> None:
    begun = entry("a", "equalizing_begun", 10 * HOUR)
    moved = entry("b", "equalizing_begun", 1 * HOUR, corrects="a")
    assert quiet_now([begun, moved], 30 * HOUR) == {}
    assert set(quiet_now([entry("t", "capacity_test_begun", 0)], 30 * HOUR)) == {"capacity_test"}


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("block 7", "block_7_volts", True),
        ("link 7", "block 7", True),
        ("string 2", "string_2_amps", True),
        ("block 7", "block 8", False),
        ("block 2", "string 2", False),
        ("bank", "bank", True),
        ("bank", "block 1", False),
        ("volts", "amps", False),
    ],
)
def test_places(one: str, other: str, same: bool) -> None:
    assert same_place(one, other) is same
    assert same_place(other, one) is same


KEYS = st.builds(AlarmKey, st.text(max_size=5), st.text(max_size=5), st.text(max_size=5))
INSTANTS = st.none() | st.builds(Instant, st.integers(0, 9), st.integers(-(10**13), 10**13))
NUMBERS = st.none() | st.floats(allow_nan=False, allow_infinity=False)
FIGURES = st.lists(st.builds(Figure, st.text(max_size=5), NUMBERS, NUMBERS, NUMBERS), max_size=3).map(tuple)


@given(
    st.builds(
        Alarm,
        key=KEYS,
        state=st.sampled_from(AlarmState),
        pending=INSTANTS,
        raised=INSTANTS,
        cleared=INSTANTS,
        since=INSTANTS,
        quiet=INSTANTS,
        root=st.none() | KEYS,
        evidence=FIGURES,
        follows=st.lists(KEYS, max_size=2).map(tuple),
    )
)
def test_alarms_read_back_exactly(alarm: Alarm) -> None:
    assert alarm_from_plain(json.loads(json.dumps(alarm_to_plain(alarm), allow_nan=False))) == alarm


@given(st.none() | KEYS, st.sampled_from(AlarmEvent), st.sampled_from(AlarmState), FIGURES)
def test_changes_read_back_exactly(
    root: AlarmKey | None, event: AlarmEvent, state: AlarmState, evidence: tuple[Figure, ...]
) -> None:
    key, now = AlarmKey("b", "c", "d"), Instant(1, 2)
    change = AlarmChange(key, now, event, state, AlarmState.NORMAL, "who", "why", root, evidence)
    assert change_from_plain(json.loads(json.dumps(change_to_plain(change), allow_nan=False))) == change
