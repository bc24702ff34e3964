"""What the outbox does next: spacing, caps, holds, order, what is not told any more."""

from __future__ import annotations

from dataclasses import replace

import pytest
from outbox_bench import DAY, HOUR, MINUTE, keeper, key

from loggerd.model.alarm import Alarm, AlarmChange, AlarmEvent, AlarmState, Priority
from loggerd.model.ledger import Instant
from loggerd.model.outbox import ItemKind, Lane, MailState, OutboxItem, OutboxLook, OutboxMail, Sent
from loggerd.outputs.planning import DAY_MAILS, GATHER_MS, HOLD_MS, HOUR_MAILS, URGENT_HOLD_MS, Step, next_step

NOW = 1_790_000_000_000
ANNA, BEN = keeper("anna"), keeper("ben")
RAISED = AlarmChange(
    key("short"), Instant(1, NOW), AlarmEvent.RAISED, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, "loggerd"
)


def item(number: int, made_ms: int = NOW - MINUTE, who: str = "anna", **changed: object) -> OutboxItem:
    bare = OutboxItem(
        number, Lane.MAIL, who, ItemKind.CHANGE, made_ms, made_ms, Priority.HIGH, False, False, 0, number, RAISED
    )
    return replace(bare, **changed)  # type: ignore[arg-type]


def mail(number: int, who: str = "anna", **changed: object) -> OutboxMail:
    state = MailState.QUEUED
    bare = OutboxMail(
        number, Lane.MAIL, who, "alarms", f"{who}@home.test", f"<{number}>", "", False, state, NOW - HOUR, 1,
        NOW + MINUTE, NOW, None, "", 1,
    )  # fmt: skip
    return replace(bare, **changed)  # type: ignore[arg-type]


def sent(at_ms: int, state: MailState = MailState.ACCEPTED, **changed: object) -> Sent:
    return replace(Sent("anna", "alarms", "anna@home.test", state, at_ms, at_ms, False), **changed)  # type: ignore[arg-type]


def step(
    *items: OutboxItem, mails: tuple[OutboxMail, ...] = (), left: tuple[Sent, ...] = (), now_ms: int = NOW
) -> Step:
    return next_step(OutboxLook(items, mails, left), [ANNA, BEN], {}, now_ms)


def told(found: Step) -> list[int]:
    assert found.letter is not None, found
    return [one.id for one in found.letter.items]


def test_nothing_to_do_waits() -> None:
    found = step()
    assert (found.letter, found.mail, found.dropped) == (None, None, ())
    assert found.wait_ms > NOW


def test_what_comes_together_goes_together() -> None:
    assert step(item(1, NOW)).wait_ms == NOW + GATHER_MS
    assert told(step(item(1, NOW - GATHER_MS), item(2, NOW))) == [1, 2]
    assert told(step(item(1, NOW, urgent=True))) == [1]


def test_what_rides_goes_along_but_does_not_go_alone() -> None:
    later = item(2, rides=True, due_ms=NOW + DAY)
    assert step(later).wait_ms == NOW + DAY
    assert told(step(item(1), later)) == [1, 2]
    assert told(step(replace(later, due_ms=NOW))) == [2]


def test_what_is_due_later_stays() -> None:
    assert told(step(item(1), item(2, due_ms=NOW + 1))) == [1]


def test_one_mail_at_a_time_to_each_keeper() -> None:
    waits = mail(9)
    found = step(item(1), item(2, who="ben"), mails=(waits,))
    assert found.letter is not None
    assert found.letter.receiver == BEN
    assert step(item(1), mails=(waits,)).wait_ms == waits.next_try_ms


def test_a_sign_of_life_does_not_hold_up_an_alarm() -> None:
    assert told(step(item(1), mails=(mail(9, topic="heartbeat"),))) == [1]


def test_mails_are_tried_in_order_the_urgent_first_and_what_was_being_sent_at_once() -> None:
    now = {"next_try_ms": NOW}
    found = step(mails=(mail(1, **now), mail(2, "ben", urgent=True, **now)))
    assert found.mail is not None
    assert found.mail.id == 2
    found = step(mails=(mail(1, state=MailState.SENDING),))
    assert found.mail is not None


def test_danger_that_waits_behind_a_mail_presses_it() -> None:
    slow = mail(9, tried_ms=NOW - MINUTE, next_try_ms=NOW + HOUR)
    assert step(item(1), mails=(slow,)).wait_ms == NOW + HOUR
    assert step(item(1, urgent=True), mails=(slow,)).wait_ms == NOW + 4 * MINUTE
    assert step(item(1, urgent=True), mails=(replace(slow, tried_ms=NOW - HOUR),)).mail is not None
    assert step(item(1, urgent=True, who="ben"), mails=(slow,)).mail is None


def test_after_two_mails_in_ten_minutes_the_rest_is_folded() -> None:
    once = (sent(NOW - MINUTE),)
    twice = (sent(NOW - 2 * MINUTE), sent(NOW - MINUTE))
    assert told(step(item(1), left=once)) == [1]
    for urgent in (False, True):
        found = step(item(1, urgent=urgent), left=twice)
        assert (found.letter, found.wait_ms) == (None, NOW + 8 * MINUTE)


def test_caps_of_the_hour_and_the_day() -> None:
    hour = tuple(sent(NOW - 59 * MINUTE + 9 * MINUTE * number) for number in range(HOUR_MAILS))
    assert step(item(1, urgent=True), left=hour).wait_ms == NOW + MINUTE
    day = tuple(sent(NOW - 23 * HOUR + number * 55 * MINUTE) for number in range(DAY_MAILS))
    assert step(item(1), left=day).wait_ms == NOW + HOUR
    # Danger to people does not wait for the next day.
    assert told(step(item(1, urgent=True), left=day)) == [1]
    # Others are not counted, nor are signs of life.
    assert told(step(item(1, who="ben"), left=day)) == [1]
    assert told(step(item(1), left=tuple(replace(one, topic="heartbeat") for one in day))) == [1]


@pytest.mark.parametrize(("urgent", "hold_ms"), [(False, HOLD_MS), (True, URGENT_HOLD_MS)])
def test_a_refused_address_is_left_alone_for_a_while(urgent: bool, hold_ms: int) -> None:
    refused = sent(NOW - MINUTE, MailState.REFUSED)
    assert step(item(1, urgent=urgent), left=(refused,)).wait_ms == NOW - MINUTE + hold_ms
    # With another address in the settings, it is tried at once.
    assert told(step(item(1), left=(replace(refused, address="old@home.test"),))) == [1]


def test_repeats_and_escalations_are_looked_at_when_they_are_due() -> None:
    standing = {RAISED.key: Alarm(RAISED.key, AlarmState.UNACKNOWLEDGED, active=True)}
    seen = {RAISED.key: Alarm(RAISED.key, AlarmState.ACKNOWLEDGED, active=True)}
    for kind in (ItemKind.REPEAT, ItemKind.ESCALATION):
        look = OutboxLook((item(1, kind=kind),))
        assert next_step(look, [ANNA], standing, NOW).letter is not None
        for alarms in (seen, {}):
            assert next_step(look, [ANNA], alarms, NOW).dropped[0][0] == 1
        later = OutboxLook((item(1, kind=kind, due_ms=NOW + HOUR),))
        assert next_step(later, [ANNA], seen, NOW).dropped == ()
    again = next_step(OutboxLook((replace(item(1, kind=ItemKind.REPEAT), number=3),)), [ANNA], standing, NOW).items
    assert [(one.number, one.due_ms, one.change) for one in again] == [(4, NOW + DAY, 1)]


def test_only_the_newest_sign_of_life_is_told() -> None:
    old, new = item(1, kind=ItemKind.HEARTBEAT, change=None), item(2, kind=ItemKind.HEARTBEAT, change=None)
    assert step(old, new).dropped == ((1, "a newer one takes its place"),)


def test_what_is_for_nobody_is_dropped() -> None:
    assert step(item(1, who="carl")).dropped[0][0] == 1


def test_dates_of_a_wrong_clock_hold_nothing_up() -> None:
    far = NOW + 400 * DAY
    assert told(step(item(1, far))) == [1]
    assert told(step(item(1, NOW + 2 * HOUR))) == [1]
    assert step(mails=(mail(1, tried_ms=NOW + HOUR, next_try_ms=NOW + 2 * HOUR),)).mail is not None
    found = step(mails=(mail(1, next_try_ms=far),))
    assert found.mail is not None
    assert told(step(item(1), left=(sent(far), sent(far)))) == [1]
    assert step(item(1), left=(sent(far, MailState.REFUSED),)).wait_ms <= NOW + HOLD_MS
