"""Tells keepers by mail that the record takes nothing. No alarm can be stored then, so none would reach the outbox.

The one mail that goes past the record: once for each fault that lasts, and once more when it is over. A thread of its
own, as for all mail; it holds nothing up, and needs the record for nothing.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from loggerd.alarms.conditions import condition_of
from loggerd.alarms.from_health import LONGEST_NOT_STORED_MS, LoggerHealth, conditions_of_logger
from loggerd.clock import Clock
from loggerd.letters import Letters
from loggerd.mailing import hand_in_mail, receivers_of
from loggerd.model.alarm import Alarm, AlarmChange, AlarmEvent, AlarmState, ConditionNow
from loggerd.model.ledger import Instant
from loggerd.model.outbox import Lane
from loggerd.outputs.attempt import Attempt, Runner
from loggerd.outputs.bare_mail import COMPOSING_FAULTS
from loggerd.outputs.mail_form import mail_bytes, new_message_id
from loggerd.outputs.notify import Receiver
from loggerd.settings.delivery import MailSettings
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
    """What one keeper is told of one fault. `content`: the mail being tried, the same at every try; `told`: it was
    accepted; `over`: that it has ended is being told."""

    message_id: str
    content: bytes
    next_ms: int
    over: bool = False
    told: bool = False
    given_up: bool = False


class NotStoringMail:
    """`look`: asked now and then, from its own thread, whether the record takes nothing."""

    def __init__(
        self, settings: SiteSettings, table: MailSettings, look: Callable[[], NotStored | None], clock: Clock
    ) -> None:
        self._settings = settings
        self._table = table
        self._look = look
        self._clock = clock
        self._letters = Letters(settings)
        self._receivers = [one for one in receivers_of(settings) if one.lane is Lane.MAIL]
        self._to: dict[str, _ToOne] = {}
        self._runner = Runner()
        self._attempt: Attempt | None = None
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="not storing", daemon=True)

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
        one = self._to.get(receiver.name)
        if found is None and one is None:
            return
        if one is None or one.over is not (found is None):
            wall_ms = self._clock.wall_ms()
            condition = _condition(found, now_ms)
            priority = condition_of(condition.key.condition).priority
            if not receiver.takes(condition.key, priority) or receiver.due_ms(wall_ms, urgent=False) > wall_ms:
                return
            identity = new_message_id(self._table.sender)
            content = self._composed(receiver, condition, identity, found, now_ms)
            one = self._to[receiver.name] = _ToOne(identity, content, now_ms, over=found is None)
        if not one.told and not one.given_up and one.next_ms <= now_ms:
            self._try(receiver, one, now_ms)
        if one.over and (one.told or one.given_up):
            del self._to[receiver.name]

    def _composed(
        self, receiver: Receiver, condition: ConditionNow, identity: str, found: NotStored | None, now_ms: int
    ) -> bytes:
        wall_ms = self._clock.wall_ms()
        since = None if found is None else Instant(0, wall_ms - (now_ms - found.since_mono_ms))
        try:
            item = _item(condition, Instant(0, wall_ms), since)
            mail = compose([item], Site(self._settings.site.name), self._letters.words(receiver.name))
        except COMPOSING_FAULTS:
            _log.exception("the words of a mail to %s cannot be made; it is sent without them", receiver.name)
            words = "loggerd stores readings again" if found is None else "loggerd cannot store readings"
            mail = Mail(words, f"{words}: {condition.reason}\n", "")
        at = datetime.fromtimestamp(wall_ms / 1000, UTC).astimezone(ZoneInfo(self._settings.site.timezone))
        people = self._settings.site.name, self._table.sender, receiver.address
        return mail_bytes(mail, people, identity, at, urgent=found is not None)

    def _try(self, receiver: Receiver, one: _ToOne, now_ms: int) -> None:
        self._attempt = attempt = Attempt(self._table.timeout_seconds)
        outcome = self._runner.run(
            attempt, lambda running: hand_in_mail(self._table, receiver.address, one.content, running)
        )
        self._attempt = None
        one.told, one.given_up, one.next_ms = outcome.accepted, outcome.refused, now_ms + RETRY_MS
        if not outcome.accepted:
            _log.warning("mail to %s that readings are not stored: %s", receiver.name, outcome.answer)

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
