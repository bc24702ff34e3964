"""Alarms beside the commits: a silent instrument is alarmed, keepers answer by the inbox, restarts lose nothing."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hand_recording import HandClock, ask, note, opened, reading, site

from loggerd.inbox import Inbox
from loggerd.model.alarm import Alarm, AlarmChange, AlarmEvent, AlarmKey, AlarmState, KeeperAction
from loggerd.model.finding import Finding, Grade
from loggerd.model.ledger import Instant
from loggerd.model.results import FoldResults
from loggerd.model.scan import ClockState
from loggerd.recording import Recording
from loggerd.settings.site import SiteSettings
from loggerd.store.record import RecordReader
from loggerd.taking_in import ALARM_ACTION, Answer, action_body, hand_in

SILENT = AlarmKey("", "device_silent", "shunt")
SHORTED = AlarmKey("house", "shorted_cell", "block 2")
MINUTE = 60_000


@pytest.fixture
def settings(tmp_path: Path) -> SiteSettings:
    return site(tmp_path)


def stored(settings: SiteSettings) -> tuple[dict[AlarmKey, Alarm], list[AlarmChange]]:
    with closing(RecordReader.open(Path(settings.record.path))) as reader:
        return {one.key: one for one in reader.alarms()}, [one.change for one in reader.alarm_changes()]


def quiet(recording: Recording, clock: HandClock, minutes: int) -> None:
    """Nothing is read for so long; commits go on."""
    for _ in range(minutes):
        clock.pass_by(MINUTE)
        recording.commit()


def busy(recording: Recording, clock: HandClock, minutes: int) -> None:
    for _ in range(minutes):
        reading(recording, clock)
        recording.commit()


def long(recording: Recording, clock: HandClock, hours: int) -> None:
    """Readings every minute, stored every half hour."""
    for _ in range(2 * hours):
        for _ in range(30):
            reading(recording, clock)
        recording.commit()


def asked(settings: SiteSettings, uid: str, event: AlarmEvent, key: AlarmKey = SILENT, **more: Any) -> None:
    ask(Inbox(Path(settings.record.path)), uid, action_body(KeeperAction(key, event, "anna", **more)), 1, ALARM_ACTION)


def events(settings: SiteSettings, key: AlarmKey = SILENT) -> list[tuple[AlarmEvent, str]]:
    return [(one.event, one.who) for one in stored(settings)[1] if one.key == key]


def test_a_silent_instrument_is_alarmed_acknowledged_and_returns(settings: SiteSettings) -> None:
    clock = HandClock()
    with closing(opened(settings, clock)) as recording:
        busy(recording, clock, 3)
        assert stored(settings) == ({}, [])

        quiet(recording, clock, 5)
        assert stored(settings)[0][SILENT].state is AlarmState.UNACKNOWLEDGED

        asked(settings, "request-1", AlarmEvent.ACKNOWLEDGED)
        quiet(recording, clock, 1)
        alarm = stored(settings)[0][SILENT]
        assert (alarm.state, alarm.acknowledged_by) == (AlarmState.ACKNOWLEDGED, "anna")

        busy(recording, clock, 8)
        assert stored(settings)[0][SILENT].state is AlarmState.NORMAL

    assert events(settings) == [
        (AlarmEvent.RAISED, "loggerd"),
        (AlarmEvent.ACKNOWLEDGED, "anna"),
        (AlarmEvent.CLEARED, "loggerd"),
    ]


def test_a_standing_alarm_costs_no_rows(settings: SiteSettings) -> None:
    clock = HandClock()
    with closing(opened(settings, clock)) as recording:
        busy(recording, clock, 2)
        quiet(recording, clock, 6)
        before = stored(settings)[1]
        quiet(recording, clock, 240)

        assert stored(settings)[1] == before


def test_a_restart_keeps_alarms_and_tells_nothing_twice(settings: SiteSettings) -> None:
    clock = HandClock()
    with closing(opened(settings, clock)) as recording:
        busy(recording, clock, 2)
        quiet(recording, clock, 6)
        asked(settings, "request-1", AlarmEvent.SHELVED, until_ms=clock.wall_ms() + 3 * 3_600_000)
        quiet(recording, clock, 1)
    with closing(opened(settings, clock)) as recording:
        quiet(recording, clock, 30)
        assert stored(settings)[0][SILENT].state is AlarmState.SHELVED
        quiet(recording, clock, 180)
        assert stored(settings)[0][SILENT].state is AlarmState.UNACKNOWLEDGED

    assert [event for event, _ in events(settings)] == [
        AlarmEvent.RAISED,
        AlarmEvent.SHELVED,
        AlarmEvent.UNSHELVED,
    ]


def test_a_request_without_a_service_is_taken_in_by_the_command(settings: SiteSettings) -> None:
    clock = HandClock()
    with closing(opened(settings, clock)) as recording:
        busy(recording, clock, 2)
        quiet(recording, clock, 6)
    action = KeeperAction(SILENT, AlarmEvent.ACKNOWLEDGED, "anna")

    answer = hand_in(settings, ALARM_ACTION, "request-2", action_body(action), clock, 5.0)

    assert answer is Answer.TAKEN_IN
    assert stored(settings)[0][SILENT].state is AlarmState.ACKNOWLEDGED


def test_a_clock_that_is_not_set_is_alarmed_after_an_hour(settings: SiteSettings) -> None:
    clock = HandClock()
    clock.said = ClockState.NOT_SET
    with closing(opened(settings, clock)) as recording:
        busy(recording, clock, 55)
        assert stored(settings)[1] == []
        busy(recording, clock, 10)

    assert [one.key.condition for one in stored(settings)[1]] == ["clock_not_set"]


def found(recording: Recording, clock: HandClock, verdict: str) -> None:
    """A finding of the bank, as its fold would give it."""
    bank = recording.follower.banks[0]
    at = Instant(recording.session, clock.wall_ms())
    one = Finding("blocks.short", "block 2", verdict, Grade.OBSERVED, "by hand", at, -2.0)
    bank.unsaved = FoldResults(bank.unsaved.entries, bank.unsaved.marks, (*bank.unsaved.findings, one))


def test_a_finding_raises_its_alarm_in_the_commit_that_stores_it(settings: SiteSettings) -> None:
    clock = HandClock()
    with closing(opened(settings, clock)) as recording:
        recording.catch_up_some()
        busy(recording, clock, 2)
        found(recording, clock, "shorted_cell")
        busy(recording, clock, 1)
        assert stored(settings)[0][SHORTED].state is AlarmState.UNACKNOWLEDGED
        found(recording, clock, "gone")
        long(recording, clock, 26)

    assert [event for event, _ in events(settings, SHORTED)] == [AlarmEvent.RAISED, AlarmEvent.CLEARED]


def test_what_the_log_book_says_suppresses_by_design(settings: SiteSettings) -> None:
    clock = HandClock()
    inbox = Inbox(Path(settings.record.path))
    balance = AlarmKey("house", "out_of_balance", "block 2")
    with closing(opened(settings, clock)) as recording:
        recording.catch_up_some()
        busy(recording, clock, 2)
        begun = note("", kind="equalizing_begun", happened_at_ms=clock.wall_ms())
        ask(inbox, "begun-1", begun, 1)
        busy(recording, clock, 1)
        bank = recording.follower.banks[0]
        at = Instant(recording.session, clock.wall_ms())
        one = Finding("blocks.cause", "block 2", "out_of_balance", Grade.OBSERVED, "by hand", at)
        bank.unsaved = FoldResults(findings=(one,))
        long(recording, clock, 26)

    assert stored(settings)[0][balance].state is AlarmState.UNACKNOWLEDGED
    assert [event for event, _ in events(settings, balance)] == [
        AlarmEvent.SUPPRESSED,
        AlarmEvent.RAISED,
        AlarmEvent.UNSUPPRESSED,
    ]
