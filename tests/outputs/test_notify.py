"""Who is told what and when, of changes as the desk makes them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, time
from pathlib import Path

import pytest
from hand_recording import HandClock
from outbox_bench import CONDITIONS, DAY, HOUR, Bench, keeper, key

from loggerd.model.alarm import AlarmEvent, AlarmKey, Priority
from loggerd.model.outbox import ItemKind, OutboxItem
from loggerd.outputs.notify import FOLLOWING_MS, LATE_MS, SOON_MS, Receiver, items_of
from loggerd.outputs.quiet_hours import QuietHours

NOON = round(datetime(2026, 5, 1, 12, tzinfo=UTC).timestamp() * 1000)
NIGHT = NOON + 11 * HOUR
MORNING = NOON + 19 * HOUR
QUIET = QuietHours(time(22), time(7), UTC)


@pytest.fixture
def clock() -> HandClock:
    return HandClock(wall_ms=NOON)


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    yield tmp_path


def bench(folder: Path, clock: HandClock, *receivers: Receiver) -> Bench:
    return Bench(folder / "record.sqlite", receivers, clock)


def waiting(one: Bench, name: str = "anna", kind: ItemKind = ItemKind.CHANGE) -> list[OutboxItem]:
    return [item for item in one.outbox().items if item.receiver == name and item.kind is kind]


def dues(one: Bench, name: str = "anna") -> list[tuple[str, int, bool]]:
    return [
        (item.change.event.value, item.due_ms - one.clock.wall_ms(), item.rides)
        for item in waiting(one, name)
        if item.change is not None
    ]


def test_an_alarm_is_told_now_and_its_end_with_another_mail(folder: Path, clock: HandClock) -> None:
    one = bench(folder, clock, keeper())
    one.look(key("spread"))
    one.look(ends=(key("spread"),))
    assert dues(one) == [("raised", 0, False), ("cleared", LATE_MS, True)]
    one.look(key("short"))
    one.look(ends=(key("short"),))
    assert dues(one)[2:] == [("raised", 0, False), ("cleared", SOON_MS, True)]
    one.close()


@pytest.mark.parametrize(
    ("least", "banks", "told"),
    [
        (Priority.LOW, None, {"spread", "short", "runaway", "water"}),
        (Priority.HIGH, None, {"short", "runaway"}),
        (Priority.CRITICAL, None, {"runaway"}),
        (Priority.LOW, frozenset({"boat"}), set()),
        (Priority.LOW, frozenset({"house"}), {"spread", "short", "runaway", "water"}),
    ],
)
def test_priority_and_bank_choose(
    folder: Path, clock: HandClock, least: Priority, banks: frozenset[str] | None, told: set[str]
) -> None:
    one = bench(folder, clock, keeper(least=least, banks=banks))
    one.look(*(key(name) for name in ("spread", "short", "runaway", "water")))
    assert {item.change.key.condition for item in waiting(one) if item.change} == told
    one.look(key("spread", "logger", ""))
    assert (len(waiting(one)) > len(told)) == (least is Priority.LOW)
    one.close()


def test_quiet_hours_hold_all_but_what_is_dangerous(folder: Path) -> None:
    clock = HandClock(wall_ms=NIGHT)
    one = bench(folder, clock, keeper(quiet=QUIET))
    one.look(key("short"), key("runaway"))
    due = {item.change.key.condition: item.due_ms for item in waiting(one) if item.change}
    assert due == {"short": MORNING, "runaway": NIGHT}
    one.close()


def test_what_follows_makes_no_mail_of_its_own(folder: Path, clock: HandClock) -> None:
    one = bench(folder, clock, keeper())
    one.look(key("short", "block 7"), key("follows_short", "bank"))
    found = {item.change.key.condition: item for item in waiting(one) if item.change}
    assert not found["short"].rides
    assert (found["follows_short"].rides, found["follows_short"].due_ms) == (True, NOON + FOLLOWING_MS)
    one.close()


def test_what_comes_and_goes_is_told_once_a_day(folder: Path, clock: HandClock) -> None:
    one = bench(folder, clock, keeper())
    for _ in range(4):
        one.look(key("spread"))
        clock.pass_by(60_000)
        one.look(ends=(key("spread"),))
        clock.pass_by(HOUR // 2)
        one.look()
    raised = [item for item in waiting(one) if item.change and item.change.event is AlarmEvent.RAISED]
    assert [item.rides for item in raised][:2] == [False, True]
    assert sum(not item.rides for item in raised) == 1
    one.close()


def test_danger_that_comes_and_goes_is_told_each_time(folder: Path, clock: HandClock) -> None:
    one = bench(folder, clock, keeper())
    for _ in range(3):
        one.look(key("runaway"))
        clock.pass_by(60_000)
        one.look(ends=(key("runaway"),))
        clock.pass_by(DAY // 4)
        one.look()
    raised = [item for item in waiting(one) if item.change and item.change.event is AlarmEvent.RAISED]
    assert raised
    assert not any(item.rides for item in raised)
    one.close()


def test_whoever_acknowledges_is_not_told_of_it_but_others_are(folder: Path, clock: HandClock) -> None:
    one = bench(folder, clock, keeper("anna"), keeper("ben"))
    one.look(key("short"))
    one.acknowledge(key("short"), "anna")
    assert [event for event, _, _ in dues(one, "anna")] == ["raised"]
    assert [event for event, _, _ in dues(one, "ben")] == ["raised", "acknowledged"]
    one.close()


def test_repeats_and_escalation_are_put_down_at_once(folder: Path) -> None:
    clock = HandClock(wall_ms=NIGHT - 4 * HOUR)
    one = bench(folder, clock, keeper("anna", escalate_to="ben", escalate_hours=4.0), keeper("ben", quiet=QUIET))
    one.look(key("short"), key("spread", "string 1"))
    (again,) = waiting(one, "anna", ItemKind.REPEAT)
    assert (again.due_ms, again.number) == (NIGHT + 20 * HOUR, 1)
    # Of spread as well, though it is not grave; both when ben is awake.
    assert [item.due_ms for item in waiting(one, "ben", ItemKind.ESCALATION)] == [MORNING, MORNING]
    one.close()


def test_a_condition_of_another_version_is_not_told(folder: Path, clock: HandClock) -> None:
    one = bench(folder, clock, keeper())
    results = one.look(key("spread"))
    assert items_of(results, CONDITIONS, [keeper()], NOON)
    assert items_of(results, {}, [keeper()], NOON) == []
    one.close()


def test_what_is_out_of_sight_is_not_told(folder: Path, clock: HandClock) -> None:
    """A shelved alarm that clears and comes again."""
    from loggerd.model.alarm import KeeperAction

    one = bench(folder, clock, keeper())
    alarm: AlarmKey = key("spread")
    one.look(alarm)
    shelved = one._desk.act(one.now(), [KeeperAction(alarm, AlarmEvent.SHELVED, "ben", "", clock.wall_ms() + DAY)])
    one._commit(shelved)
    before = len(waiting(one))
    one.look(ends=(alarm,))
    one.look(alarm)
    assert len(waiting(one)) == before
    one.close()
