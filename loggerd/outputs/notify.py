"""Who is told what, and when: changes of alarms to items of the outbox. A function of what is handed in, nothing else.

Made in the same transaction as the changes. What falls due later (somebody else is told, it is said again) is made at
once as well, and looked at when it is due: an alarm that has been acknowledged by then is not told.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from loggerd.alarms.catalogue import HOUR_MS, AlarmCondition
from loggerd.model.alarm import Alarm, AlarmChange, AlarmEvent, AlarmKey, AlarmResults, AlarmState, Priority
from loggerd.model.outbox import ItemKind, Lane, NewItem
from loggerd.outputs.quiet_hours import QuietHours

DAY_MS = 24 * HOUR_MS
SOON_MS = HOUR_MS
"""What an urgent alarm comes to (it has gone, somebody sees to it) is told within this time, by common practice."""
LATE_MS = DAY_MS
"""What needs nobody to act is told with the next mail, within this time at the latest."""
FOLLOWING_MS = 7 * DAY_MS
"""Likewise what follows from an alarm that has been told."""
_ORDER = (Priority.CRITICAL, Priority.HIGH, Priority.MEDIUM, Priority.LOW)
_SHOWN = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED)


@dataclass(frozen=True)
class Receiver:
    """A keeper, or a program behind a webhook, as far as it decides what is told and when.

    `address`: of the mailbox, or the URL. `banks`: names, None for all. `least`: the least priority that is told.
    `escalate_to`: who is told after `escalate_hours` if nobody has acknowledged; None for nobody. `repeat_hours`: how
    often an alarm of high or critical priority that nobody has acknowledged is told again, 0 for never.
    """

    lane: Lane
    name: str
    address: str
    banks: frozenset[str] | None = None
    least: Priority = Priority.LOW
    quiet: QuietHours | None = None
    escalate_to: str | None = None
    escalate_hours: float = 24.0
    repeat_hours: float = 24.0

    def takes(self, key: AlarmKey, priority: Priority) -> bool:
        """Whether an alarm is this receiver's. What concerns logger and instruments is everybody's."""
        mine = self.banks is None or not key.bank or key.bank in self.banks
        return mine and _ORDER.index(priority) <= _ORDER.index(self.least)

    def due_ms(self, at_ms: int, urgent: bool) -> int:
        """When something is told that could be told at an instant."""
        return at_ms if urgent or self.quiet is None else self.quiet.next_loud_ms(at_ms)


def items_of(
    results: AlarmResults,
    conditions: Mapping[str, AlarmCondition],
    receivers: Iterable[Receiver],
    now_ms: int,
) -> list[NewItem]:
    """What is to be told of a look at the alarms; `now_ms` by the wall clock. `of_commit` counts results.changes."""
    known = list(receivers)
    alarms = {alarm.key: alarm for alarm in results.alarms}
    found: list[NewItem] = []
    for position, change in enumerate(results.changes):
        condition = conditions.get(change.key.condition)
        if condition is None:
            continue  # of an earlier version: it only clears
        event = _Event(change, alarms.get(change.key), condition, position, now_ms)
        for receiver in known:
            if receiver.takes(change.key, condition.priority):
                found += _for_one(receiver, known, event)
    return found


@dataclass(frozen=True)
class _Event:
    """A change with what decides who is told."""

    change: AlarmChange
    alarm: Alarm | None
    condition: AlarmCondition
    position: int
    now_ms: int

    @property
    def grave(self) -> bool:
        return self.condition.priority in (Priority.CRITICAL, Priority.HIGH)

    @property
    def comes_and_goes(self) -> bool:
        """It was told not long ago, went and has come back."""
        return self.change.event is AlarmEvent.RAISED and self.alarm is not None and self.alarm.told > 1

    @property
    def due_later_ms(self) -> int:
        """How long it may wait for another mail to go with; 0: it may not."""
        if not calls(self.change):
            return SOON_MS if self.grave else LATE_MS
        if self.condition.safety:
            return 0
        if self.change.root is not None:
            return FOLLOWING_MS
        return LATE_MS if self.comes_and_goes else 0


def calls(change: AlarmChange) -> bool:
    """Whether a change asks somebody to act: the alarm stands, unacknowledged, and did not just before."""
    return change.after is AlarmState.UNACKNOWLEDGED and change.before is not AlarmState.UNACKNOWLEDGED


def _informs(change: AlarmChange, receiver: Receiver, priority: Priority) -> bool:
    """Whether a change is worth a line: it ends or moves something that has been told.

    That a low alarm is gone which somebody has seen to is worth no mail, which it would mostly have to itself.
    """
    seen_to = change.event is AlarmEvent.CLEARED and change.before is AlarmState.ACKNOWLEDGED
    if receiver.lane is Lane.MAIL and priority is Priority.LOW and seen_to:
        return False
    if change.who == receiver.name or change.before not in _SHOWN:
        return False
    return change.after is not change.before


def _for_one(receiver: Receiver, receivers: list[Receiver], event: _Event) -> Iterator[NewItem]:
    change, condition, now_ms = event.change, event.condition, event.now_ms
    bare = NewItem(
        receiver.lane, receiver.name, ItemKind.CHANGE, now_ms, now_ms, condition.priority, of_commit=event.position
    )
    if not calls(change) and not _informs(change, receiver, condition.priority):
        return
    if event.due_later_ms:
        yield replace(bare, rides=True, due_ms=receiver.due_ms(now_ms + event.due_later_ms, urgent=False))
        return
    urgent = condition.safety
    yield replace(bare, urgent=urgent, due_ms=receiver.due_ms(now_ms, urgent))
    if receiver.lane is not Lane.MAIL:
        return
    if event.grave and receiver.repeat_hours:
        yield repeat_of(bare, receiver, urgent, 1)
    other = next((one for one in receivers if one.name == receiver.escalate_to and one.lane is Lane.MAIL), None)
    if other is not None:
        due_ms = other.due_ms(now_ms + round(receiver.escalate_hours * HOUR_MS), urgent)
        yield replace(bare, receiver=other.name, kind=ItemKind.ESCALATION, due_ms=due_ms, urgent=urgent)


def repeat_of(bare: NewItem, receiver: Receiver, safety: bool, number: int) -> NewItem:
    """The next time that an alarm is told which nobody has acknowledged."""
    due_ms = receiver.due_ms(bare.made_ms + round(receiver.repeat_hours * HOUR_MS), safety)
    return replace(bare, kind=ItemKind.REPEAT, due_ms=due_ms, urgent=safety, number=number)
