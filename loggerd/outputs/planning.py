"""What the outbox does next: which items go into a mail, which mail is tried, or how long to wait. No clock, no store.

One mail at a time is on its way to a receiver in each topic; what comes in meanwhile waits and goes into the next one
together. That keeps the order, and folds what gathered while the link was down into one mail.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from loggerd.model.alarm import Alarm, AlarmKey, AlarmState
from loggerd.model.outbox import (
    ALARMS,
    ItemKind,
    MailState,
    NewItem,
    OutboxItem,
    OutboxLook,
    OutboxMail,
    Sent,
)
from loggerd.outputs.notify import Receiver, repeat_of

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
DAY_MS = 24 * HOUR_MS
GATHER_MS = 5_000
"""What comes within this time of the first goes into one mail."""
FLOOD_MS = 10 * MINUTE_MS
"""A flood by ISA-18.2 is counted in this time. In it two mails go out as they come, what follows is folded."""
FLOOD_MAILS = 2
HOUR_MAILS, DAY_MAILS = 6, 24
"""Most mails on alarms to one receiver; danger to people is not held by that of the day."""
HOLD_MS = DAY_MS
"""After a refusal nothing more is sent to the same address for so long; what waits is then told in one new mail."""
URGENT_HOLD_MS = HOUR_MS
"""Likewise where people are in danger."""
CLOCK_STEP_MS = 15 * DAY_MS
"""Nothing is put off for longer than this: a date beyond it is of a wall clock that was wrong."""
PRESSING_MS = 5 * MINUTE_MS
"""A mail that waits is tried at least so often while something dangerous waits behind it."""
MOST_TOLD = 1_000
_ORDER = (ALARMS, ItemKind.TEST.value, ItemKind.HEARTBEAT.value, ItemKind.DIGEST.value)
_NEWEST_ONLY = (ItemKind.HEARTBEAT, ItemKind.DIGEST)


@dataclass(frozen=True)
class Letter:
    """What goes into one mail: items in order, all of one topic, for one receiver."""

    receiver: Receiver
    topic: str
    items: tuple[OutboxItem, ...]
    alarms: Mapping[AlarmKey, Alarm]
    now_ms: int

    @property
    def urgent(self) -> bool:
        return any(item.urgent for item in self.items)


@dataclass(frozen=True)
class Step:
    """What to do now: at most one of `letter` (compose it) and `mail` (try it); without either, wait until `wait_ms`.

    `dropped`: items that are not told any more, and why; `items`: new ones. Both are stored with the letter or alone.
    """

    letter: Letter | None = None
    mail: OutboxMail | None = None
    dropped: tuple[tuple[int, str], ...] = ()
    items: tuple[NewItem, ...] = ()
    wait_ms: int = 0


def next_step(look: OutboxLook, receivers: Iterable[Receiver], alarms: Mapping[AlarmKey, Alarm], now_ms: int) -> Step:
    """What one lane of the outbox does next."""
    known = {receiver.name: receiver for receiver in receivers}
    dropped = _dropped(look, known, alarms, now_ms)
    if dropped:
        return Step(dropped=tuple(dropped))
    open_topics = {(mail.receiver, mail.topic) for mail in look.mails}
    wait_ms = now_ms + CLOCK_STEP_MS
    for topic in _ORDER:
        for receiver in known.values():
            waiting = [one for one in look.items if one.receiver == receiver.name and one.topic == topic]
            if not waiting or (receiver.name, topic) in open_topics:
                continue
            ready_ms = _ready_ms(waiting, _of(look.sent, receiver, topic), receiver, topic, now_ms)
            if ready_ms <= now_ms:
                return _letter(receiver, topic, waiting, alarms, now_ms)
            wait_ms = min(wait_ms, ready_ms)
    for mail in sorted(look.mails, key=lambda one: (not one.urgent, _ORDER.index(one.topic), one.id)):
        try_ms = _try_ms(mail, now_ms)
        if mail.tried_ms is not None and _presses(look.items, mail, now_ms):
            try_ms = min(try_ms, mail.tried_ms + PRESSING_MS)
        if try_ms <= now_ms:
            return Step(mail=mail)
        wait_ms = min(wait_ms, try_ms)
    return Step(wait_ms=wait_ms)


def oldest_waiting_ms(look: OutboxLook, now_ms: int) -> int:
    """How long the oldest mail, or item that is due, has waited."""
    since = [mail.composed_ms for mail in look.mails]
    since += [item.due_ms for item in look.items if not item.rides and item.due_ms <= now_ms]
    return max((now_ms - at_ms for at_ms in since), default=0)


def refusals(look: OutboxLook) -> dict[str, str]:
    """What was said last to receivers whose last mail was refused, by receiver."""
    last = {one.receiver: one for one in look.sent}
    return {name: one.answer for name, one in last.items() if one.state is MailState.REFUSED}


def _of(sent: Iterable[Sent], receiver: Receiver, topic: str) -> list[Sent]:
    return [one for one in sent if one.receiver == receiver.name and one.topic == topic]


def _sane(at_ms: int, now_ms: int) -> int:
    """A date that the wall clock can have meant."""
    return at_ms if at_ms <= now_ms + CLOCK_STEP_MS else now_ms


def _due_ms(item: OutboxItem, now_ms: int) -> int:
    """When an item is due. What was due when it was made stays so, though the clock was set back since."""
    return now_ms if item.due_ms <= item.made_ms and item.made_ms > now_ms else _sane(item.due_ms, now_ms)


def _try_ms(mail: OutboxMail, now_ms: int) -> int:
    """When a mail is tried. One whose last try lies ahead was put off by a clock that has been set back since; one
    that was being sent when the service stopped is tried at once, under the same name."""
    ahead = mail.tried_ms is not None and mail.tried_ms > now_ms
    return now_ms if ahead or mail.state is MailState.SENDING else _sane(mail.next_try_ms, now_ms)


def _dropped(
    look: OutboxLook, known: Mapping[str, Receiver], alarms: Mapping[AlarmKey, Alarm], now_ms: int
) -> list[tuple[int, str]]:
    found = []
    newest = {(item.receiver, item.kind): item.id for item in look.items if item.kind in _NEWEST_ONLY}
    for item in look.items:
        if item.receiver not in known:
            found.append((item.id, "the settings name this receiver no more"))
        elif item.kind in _NEWEST_ONLY and newest[item.receiver, item.kind] != item.id:
            found.append((item.id, "a newer one takes its place"))
        elif item.kind in (ItemKind.REPEAT, ItemKind.ESCALATION) and not _still_calls(item, alarms, now_ms):
            found.append((item.id, "it was acknowledged, or has gone, before it was due"))
    return found


def _still_calls(item: OutboxItem, alarms: Mapping[AlarmKey, Alarm], now_ms: int) -> bool:
    """Whether the alarm that it is about still stands unacknowledged; looked at when it is due."""
    if _due_ms(item, now_ms) > now_ms or item.change is None:
        return True
    alarm = alarms.get(item.change.key)
    return alarm is not None and alarm.state is AlarmState.UNACKNOWLEDGED


def _presses(items: Iterable[OutboxItem], mail: OutboxMail, now_ms: int) -> bool:
    """Whether something dangerous waits behind a mail."""
    behind = (one for one in items if one.receiver == mail.receiver and one.topic == mail.topic)
    return any(one.urgent and _due_ms(one, now_ms) <= now_ms for one in behind)


def _ready_ms(waiting: list[OutboxItem], sent: list[Sent], receiver: Receiver, topic: str, now_ms: int) -> int:
    """When a mail of what waits may be made."""
    due = [one for one in waiting if _due_ms(one, now_ms) <= now_ms]
    if not due:
        return min(_due_ms(one, now_ms) for one in waiting)
    urgent = any(one.urgent for one in due)
    hold_ms = max((_held_until(one, receiver, now_ms, urgent) for one in sent), default=now_ms)
    if topic != ALARMS:
        return hold_ms
    first_ms = min(one.made_ms for one in due)
    # Items of the future are from before the clock was set back.
    gathered_ms = now_ms if urgent or first_ms > now_ms else first_ms + GATHER_MS
    return max(hold_ms, gathered_ms, _room_ms(sent, urgent, now_ms))


def _held_until(sent: Sent, receiver: Receiver, now_ms: int, urgent: bool) -> int:
    """A refused address is left alone for a time, unless the settings name another one now."""
    if sent.state is not MailState.REFUSED or sent.address != receiver.address:
        return now_ms
    return min(sent.done_ms, now_ms) + (URGENT_HOLD_MS if urgent else HOLD_MS)


def _room_ms(sent: list[Sent], urgent: bool, now_ms: int) -> int:
    """When the next mail may go by how many went before."""
    rates = [(FLOOD_MS, FLOOD_MAILS), (HOUR_MS, HOUR_MAILS)]
    if not urgent:
        rates.append((DAY_MS, DAY_MAILS))
    room_ms = now_ms
    times = sorted(one.composed_ms for one in sent if one.state is MailState.ACCEPTED and one.composed_ms <= now_ms)
    for span_ms, most in rates:
        within = [at_ms for at_ms in times if at_ms > now_ms - span_ms]
        if len(within) >= most:
            room_ms = max(room_ms, within[-most] + span_ms)
    return room_ms


def _letter(
    receiver: Receiver, topic: str, waiting: list[OutboxItem], alarms: Mapping[AlarmKey, Alarm], now_ms: int
) -> Step:
    """All that is due, and of alarms also what may go with it."""
    told = tuple(one for one in waiting if one.rides or _due_ms(one, now_ms) <= now_ms)[:MOST_TOLD]
    again = tuple(
        repeat_of(_bare(one, now_ms), receiver, one.urgent, one.number + 1)
        for one in told
        if one.kind is ItemKind.REPEAT and receiver.repeat_hours
    )
    return Step(letter=Letter(receiver, topic, told, alarms, now_ms), items=again)


def _bare(item: OutboxItem, now_ms: int) -> NewItem:
    return NewItem(
        item.lane, item.receiver, item.kind, now_ms, now_ms, item.priority, item.urgent, change=item.change_id
    )


__all__ = ["Letter", "Step", "next_step", "oldest_waiting_ms", "refusals"]
