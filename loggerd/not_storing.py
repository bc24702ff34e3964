"""Tells keepers and the webhook that the record takes nothing. No alarm can be stored then, so none would reach the
outbox.

What goes past the record: once for each fault that lasts, and once more when it is over. A thread of its own, as for
all that is sent; it holds nothing up, and needs the record for nothing.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass

from loggerd.alarms.conditions import condition_of
from loggerd.alarms.from_health import LONGEST_NOT_STORED_MS, LoggerHealth, conditions_of_logger
from loggerd.clock import Clock
from loggerd.letters import Letters
from loggerd.mailing import hand_in_call, hand_in_mail, new_call_id, receivers_of, site_mail_bytes
from loggerd.model.alarm import Alarm, AlarmChange, AlarmEvent, AlarmState, ConditionNow
from loggerd.model.ledger import Instant
from loggerd.model.outbox import ALARMS, ItemKind, Lane, OutboxItem
from loggerd.outputs.attempt import Attempt, Runner
from loggerd.outputs.bare_mail import COMPOSING_FAULTS
from loggerd.outputs.mail_form import new_message_id
from loggerd.outputs.notify import Receiver
from loggerd.outputs.outcome import Outcome
from loggerd.outputs.planning import Letter
from loggerd.outputs.webhook import webhook_body
from loggerd.settings.site import SiteSettings
from loggerd.waiting import NotStored
from loggerd.wording.alarm_part import AlarmItem, Site
from loggerd.wording.mail import Mail, compose

_log = logging.getLogger("loggerd")

LOOK_SECONDS = 10.0
RETRY_MS = 5 * 60_000
"""After a try that failed. A refusal is final until the next fault."""


@dataclass
class _ToOne:
    """What one receiver is told of one fault. `content`: what is being tried, the same at every try; `told`: it was
    accepted; `over`: that it has ended is being told."""

    message_id: str
    content: bytes
    next_ms: int
    over: bool = False
    told: bool = False
    given_up: bool = False


class NotStoring:
    """`look`: asked now and then, from its own thread, whether the record takes nothing."""

    def __init__(self, settings: SiteSettings, look: Callable[[], NotStored | None], clock: Clock) -> None:
        self._settings = settings
        self._look = look
        self._clock = clock
        self._letters = Letters(settings)
        self._receivers = [
            one for one in receivers_of(settings) if one.lane is Lane.WEBHOOK or settings.mail is not None
        ]
        self._to: dict[tuple[Lane, str], _ToOne] = {}
        self._runner = Runner()
        self._attempt: Attempt | None = None
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="not storing", daemon=True)

    @property
    def tells_somebody(self) -> bool:
        """Whether the settings name anybody to tell."""
        return bool(self._receivers)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """End, and end a try under way."""
        self._stopping.set()
        if (attempt := self._attempt) is not None:
            attempt.give_up()
        self._thread.join(2.0)

    def turn(self) -> None:
        """Tell whom there is something to tell by now."""
        found, now_ms = self._look(), self._clock.mono_ms()
        if found is None:
            self._to = {name: one for name, one in self._to.items() if one.told or one.over}
        elif now_ms - found.since_mono_ms < LONGEST_NOT_STORED_MS:
            return
        for receiver in self._receivers:
            self._tell(receiver, found, now_ms)

    def _tell(self, receiver: Receiver, found: NotStored | None, now_ms: int) -> None:
        key = receiver.lane, receiver.name
        one = self._to.get(key)
        if found is None and one is None:
            return
        if one is None or one.over is not (found is None):
            wall_ms = self._clock.wall_ms()
            condition = _condition(found, now_ms)
            priority = condition_of(condition.key.condition).priority
            if not receiver.takes(condition.key, priority) or receiver.due_ms(wall_ms, urgent=False) > wall_ms:
                return
            since = None if found is None else Instant(0, wall_ms - (now_ms - found.since_mono_ms))
            item = _item(condition, Instant(0, wall_ms), since)
            compose = self._mail if receiver.lane is Lane.MAIL else self._call
            one = self._to[key] = _ToOne(*compose(receiver, item, wall_ms), now_ms, over=found is None)
        if not one.told and not one.given_up and one.next_ms <= now_ms:
            self._try(receiver, one, now_ms)
        if one.over and (one.told or one.given_up):
            del self._to[key]

    def _mail(self, receiver: Receiver, item: AlarmItem, wall_ms: int) -> tuple[str, bytes]:
        assert self._settings.mail is not None
        begun = item.alarm.active
        try:
            mail = compose([item], Site(self._settings.site.name), self._letters.words(receiver.name))
        except COMPOSING_FAULTS:
            _log.exception("the words of a mail to %s cannot be made; it is sent without them", receiver.name)
            words = "loggerd cannot store readings" if begun else "loggerd stores readings again"
            mail = Mail(words, f"{words}: {item.alarm.reason}\n", "")
        identity = new_message_id(self._settings.mail.sender)
        return identity, site_mail_bytes(self._settings, receiver.address, mail, identity, wall_ms, urgent=begun)

    def _call(self, receiver: Receiver, item: AlarmItem, wall_ms: int) -> tuple[str, bytes]:
        """As any change of an alarm is told, but with the number 0: the record has none for it."""
        priority = condition_of(item.alarm.key.condition).priority
        told = OutboxItem(
            0, receiver.lane, receiver.name, ItemKind.CHANGE, wall_ms, wall_ms, priority,
            urgent=False, rides=False, number=0, change=item.change,
        )  # fmt: skip
        identity = new_call_id()
        letter = Letter(receiver, ALARMS, (told,), {item.alarm.key: item.alarm}, wall_ms)
        return identity, webhook_body(letter, self._settings.site.name, identity, {})

    def _try(self, receiver: Receiver, one: _ToOne, now_ms: int) -> None:
        table = self._settings.mail if receiver.lane is Lane.MAIL else self._settings.webhook
        assert table is not None
        self._attempt = attempt = Attempt(table.timeout_seconds)
        outcome = self._runner.run(attempt, lambda running: self._handed_in(receiver, one, running))
        self._attempt = None
        one.told, one.given_up, one.next_ms = outcome.accepted, outcome.refused, now_ms + RETRY_MS
        if not outcome.accepted:
            way = "mail" if receiver.lane is Lane.MAIL else "call"
            _log.warning("%s to %s that readings are not stored: %s", way, receiver.name, outcome.answer)

    def _handed_in(self, receiver: Receiver, one: _ToOne, attempt: Attempt) -> Outcome:
        mail, webhook = self._settings.mail, self._settings.webhook
        if receiver.lane is Lane.WEBHOOK and webhook is not None:
            return hand_in_call(webhook, one.message_id, one.content, attempt)
        assert mail is not None
        return hand_in_mail(mail, receiver.address, one.content, attempt)

    def _run(self) -> None:
        while not self._stopping.wait(LOOK_SECONDS):
            self.turn()


def _condition(found: NotStored | None, now_ms: int) -> ConditionNow:
    """The logger's own condition, as an alarm of it would tell it."""
    waited_ms = LONGEST_NOT_STORED_MS if found is None else now_ms - found.since_mono_ms
    (told,) = conditions_of_logger(LoggerHealth(not_stored_ms=waited_ms))
    reason = told.reason if found is None else found.reason
    return ConditionNow(told.key, found is not None, evidence=told.evidence, reason=reason)


def _item(condition: ConditionNow, at: Instant, since: Instant | None) -> AlarmItem:
    key = condition.key
    if condition.true:
        event, states = AlarmEvent.RAISED, (AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED)
        alarm = Alarm(
            key, states[1], active=True, raised=at, since=since, evidence=condition.evidence, reason=condition.reason
        )
    else:
        event, states = AlarmEvent.CLEARED, (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED)
        alarm = Alarm(key, states[1], cleared=at)
    return AlarmItem(AlarmChange(key, at, event, *states, "loggerd"), alarm)
