"""One keeper with the usual settings, his outbox, and a mail server that takes everything, on a clock that is told."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from loggerd.alarms.conditions import ALARM_CONDITIONS
from loggerd.model.alarm import Alarm, AlarmChange, AlarmEvent, AlarmKey, AlarmResults, AlarmState, KeeperAction
from loggerd.model.outbox import Lane, MailState, NewItem, OutboxItem, OutboxLook, Sent
from loggerd.outputs.notify import Receiver, items_of
from loggerd.outputs.planning import DAY_MS, HOUR_MS, Letter, Step, next_step

KEEPER = Receiver(Lane.MAIL, "keeper", "keeper@home.example")
"""As `[[keeper]]` with a name and an address makes one: no quiet hours, all priorities, grave alarms told daily."""
ACKNOWLEDGES_AT_HOUR = 8
"""He acknowledges the next morning (UTC) what he was mailed. He mends nothing."""
_CONDITIONS = {one.name: one for one in ALARM_CONDITIONS}
_TO_ACKNOWLEDGE = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED)


@dataclass(frozen=True)
class Mailed:
    """A mail on alarms that was handed over. `raised`: alarms that it is the first to tell of as raised."""

    at_ms: int
    items: int
    urgent: bool
    raised: tuple[AlarmKey, ...]


class Mailbox:
    """What becomes of changes of alarms: items, mails, and what the keeper answers."""

    def __init__(self, start_ms: int) -> None:
        self.mails: list[Mailed] = []
        self._items: dict[int, OutboxItem] = {}
        self._sent: list[Sent] = []
        self._changes: list[AlarmChange] = []
        self._made = 0
        self._wake_ms = start_ms
        self._to_acknowledge: dict[AlarmKey, int] = {}
        """Alarms that he was mailed of, and when he acknowledges them."""

    def hear(self, results: AlarmResults, now_ms: int) -> None:
        """Changes of a look at the alarms go into the outbox."""
        first = len(self._changes)
        self._changes += results.changes
        for new in items_of(results, _CONDITIONS, (KEEPER,), now_ms):
            self._add(new, first + (new.of_commit or 0))
        if results.changes:
            self._wake_ms = now_ms

    def deliver(self, alarms: Mapping[AlarmKey, Alarm], until_ms: int) -> None:
        """Make and hand over what may go until an instant; the server takes it at once."""
        while self._wake_ms <= until_ms:
            now_ms = self._wake_ms
            self._sent = [one for one in self._sent if one.composed_ms > now_ms - 2 * DAY_MS]
            look = OutboxLook(tuple(self._items.values()), (), tuple(self._sent))
            step = next_step(look, (KEEPER,), alarms, now_ms)
            self._obey(step)
            if step.letter is None and not step.dropped:
                self._wake_ms = max(step.wait_ms, now_ms + 1)

    def answers(self, alarms: Mapping[AlarmKey, Alarm], now_ms: int) -> list[KeeperAction]:
        """What the keeper acknowledges by now."""
        due = [key for key, at_ms in self._to_acknowledge.items() if at_ms <= now_ms]
        for key in due:
            del self._to_acknowledge[key]
        return [
            KeeperAction(key, AlarmEvent.ACKNOWLEDGED, KEEPER.name)
            for key in due
            if key in alarms and alarms[key].state in _TO_ACKNOWLEDGE
        ]

    def _add(self, new: NewItem, change: int) -> None:
        self._made += 1
        self._items[self._made] = OutboxItem(
            self._made, new.lane, new.receiver, new.kind, new.made_ms, new.due_ms, new.priority, new.urgent, new.rides,
            new.number, change, self._changes[change],
        )  # fmt: skip

    def _obey(self, step: Step) -> None:
        for identity, _ in step.dropped:
            del self._items[identity]
        if step.letter is not None:
            self._hand_over(step.letter)
        for new in step.items:
            assert new.change is not None
            self._add(new, new.change)

    def _hand_over(self, letter: Letter) -> None:
        at_ms = letter.now_ms
        for item in letter.items:
            del self._items[item.id]
        changes = [item.change for item in letter.items if item.change is not None]
        raised = tuple(one.key for one in _first_told(letter.items) if one.event is AlarmEvent.RAISED)
        self.mails.append(Mailed(at_ms, len(letter.items), letter.urgent, raised))
        self._sent.append(
            Sent(KEEPER.name, letter.topic, KEEPER.address, MailState.ACCEPTED, at_ms, at_ms, letter.urgent)
        )
        morning_ms = at_ms // DAY_MS * DAY_MS + DAY_MS + ACKNOWLEDGES_AT_HOUR * HOUR_MS
        for change in changes:
            self._to_acknowledge.setdefault(change.key, morning_ms)


def _first_told(items: Sequence[OutboxItem]) -> list[AlarmChange]:
    return [item.change for item in items if item.change is not None and item.kind.value == "change"]
