"""Requests of the inbox into the record: what each asks for is checked and becomes part of a commit."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path
from typing import Any, TypeAlias

from loggerd.alarming import Alarming
from loggerd.clock import Clock
from loggerd.errors import RequestRefused, StoreError, StoreHeld
from loggerd.inbox import Inbox, Request
from loggerd.model.alarm import AlarmEvent, AlarmKey, AlarmResults, KeeperAction
from loggerd.model.bank import Bank
from loggerd.model.ledger import Instant
from loggerd.model.log_book import LogEntry
from loggerd.model.log_values import MOST_CHARACTERS, check_values, typed_again
from loggerd.plans import SessionNote, axes_of
from loggerd.settings.domain import banks
from loggerd.settings.site import SiteSettings
from loggerd.store.record import Commit, RecordReader, RecordWriter, TakenIn

LOG_ENTRY = "log_entry"
ALARM_ACTION = "alarm_action"
EARLIEST_MS, LATEST_MS = 0, 4_102_444_800_000
"""1970 to 2100: what a log entry may speak of."""
_LOOK_SECONDS = 0.1


@dataclass
class Intake:
    """What one commit takes in: the requests, and what they come to."""

    banks: Mapping[str, Bank]
    writer: RecordWriter
    session: int
    mono_ms: int
    wall_ms: int
    requests: list[Request] = field(default_factory=list)
    log: list[TakenIn] = field(default_factory=list)
    actions: list[KeeperAction] = field(default_factory=list)
    asked: list[Request] = field(default_factory=list)
    """The requests that the actions came with, in the same order."""

    def not_done(self, refused: Iterable[tuple[KeeperAction, str]]) -> Iterator[tuple[Request, str]]:
        """Requests whose action the alarm's state does not allow, and why."""
        reasons = list(refused)
        for request, action in zip(self.asked, self.actions, strict=True):
            yield from ((request, why) for other, why in reasons if other is action)

    def log_entry(self, uid: str) -> LogEntry | None:
        """The log entry of that uid, of the record or of this commit."""
        stored = self.writer.log_entry(uid)
        if stored is not None:
            return stored.entry
        return next((one.entry for one in self.log if one.entry.uid == uid), None)


Handler: TypeAlias = Callable[[Request, Intake], None]
"""Adds what a request asks for to the intake; does nothing for one whose uid is known. Raises RequestRefused."""


def take_in(
    inbox: Inbox,
    settings: SiteSettings,
    writer: RecordWriter,
    place: tuple[int, int, int],
    handlers: Mapping[str, Handler] | None = None,
) -> Intake:
    """What waits in the inbox, to be stored with the next commit; what cannot be used is set aside.

    `place`: session, monotonic and wall milliseconds that entries are given. Raises StoreError.
    """
    known = HANDLERS if handlers is None else handlers
    requests = inbox.requests()
    intake = Intake({bank.name: bank for bank in banks(settings)} if requests else {}, writer, *place)
    for request in requests:
        try:
            _handler(known, request.what)(request, intake)
        except RequestRefused as refused:
            inbox.refuse(request.path, str(refused))
        else:
            intake.requests.append(request)
    return intake


def _handler(known: Mapping[str, Handler], what: str) -> Handler:
    if what not in known:
        raise RequestRefused(f'nobody knows what "{what}" asks for; expected {", ".join(known)}')
    return known[what]


# -- log entries --


def log_body(entry: LogEntry) -> dict[str, Any]:
    """What a request for a log entry says."""
    return {
        "bank": entry.bank,
        "kind": entry.kind,
        "happened_at_ms": entry.happened_at_ms,
        "who": entry.who,
        "data": dict(entry.data),
        "text": entry.text,
        "corrects": entry.corrects,
    }


def _take_log_entry(request: Request, intake: Intake) -> None:
    if intake.log_entry(request.uid) is None:
        entry = _entry_of(request, intake)
        intake.log.append(TakenIn(entry, intake.session, intake.mono_ms, intake.wall_ms))


def _entry_of(request: Request, intake: Intake) -> LogEntry:
    """Raises RequestRefused."""
    body = request.body
    name, kind, who, text = (body.get(key) for key in ("bank", "kind", "who", "text"))
    happened, data, corrects = body.get("happened_at_ms"), body.get("data"), body.get("corrects")
    if not isinstance(name, str) or name not in intake.banks:
        raise RequestRefused(f"there is no such bank; this site has: {', '.join(intake.banks)}")
    if not isinstance(who, str) or not 0 < len(who) <= MOST_CHARACTERS or not who.isprintable():
        raise RequestRefused("it does not say who tells it")
    if not isinstance(happened, int) or not EARLIEST_MS <= happened < LATEST_MS:
        raise RequestRefused("it does not say when it happened, in milliseconds since 1970")
    if not isinstance(kind, str) or not isinstance(text, str) or not isinstance(data, dict):
        raise RequestRefused("kind, text or data are missing")
    if not all(isinstance(value, str | bool | int | float) for value in data.values()):
        raise RequestRefused("a value of its data is neither text nor number")
    try:
        checked = check_values(kind, intake.banks[name], typed_again(data, text))
    except OverflowError as error:
        raise RequestRefused("a number of its data is too large") from error
    if checked.faults:
        raise RequestRefused("; ".join(checked.faults))
    if corrects is not None:
        _check_correction(corrects, (name, kind), intake)
    return LogEntry(request.uid, name, kind, happened, who, checked.data, checked.text, corrects)


def _check_correction(corrects: object, same: tuple[str, str], intake: Intake) -> None:
    former = intake.log_entry(corrects) if isinstance(corrects, str) else None
    if former is None:
        raise RequestRefused(f"it corrects an entry {corrects} that is not in the record")
    if (former.bank, former.kind) != same:
        raise RequestRefused(f'a correction is of the same bank and kind: entry {corrects} is "{former.kind}"')


# -- what keepers ask of alarms --


def action_body(action: KeeperAction) -> dict[str, Any]:
    """What a request for an action on an alarm says."""
    key = [action.key.bank, action.key.condition, action.key.subject]
    return {**vars(action), "key": key, "event": action.event.value}


def _take_action(request: Request, intake: Intake) -> None:
    """Whether the alarm's state allows it is for the desk to say. Taking one twice changes nothing."""
    body = dict(request.body)
    try:
        key = AlarmKey(*body.pop("key"))
        event = AlarmEvent(body.pop("event"))
        action = KeeperAction(key, event, **body)
    except (KeyError, TypeError, ValueError) as error:
        raise RequestRefused(f"it is not a request about an alarm: {error}") from None
    if event not in _ASKED_FOR or not isinstance(action.who, str) or not action.who:
        raise RequestRefused("it does not say who asks for what")
    intake.actions.append(action)
    intake.asked.append(request)


_ASKED_FOR = frozenset(
    {
        AlarmEvent.ACKNOWLEDGED,
        AlarmEvent.SHELVED,
        AlarmEvent.UNSHELVED,
        AlarmEvent.REMOVED,
        AlarmEvent.RETURNED,
    }
)

HANDLERS: dict[str, Handler] = {LOG_ENTRY: _take_log_entry, ALARM_ACTION: _take_action}
"""What a request asks for: who sees to it."""


# -- commands --


class Answer(Enum):
    """What became of a request."""

    TAKEN_IN = "taken in"
    WAITING = "waiting"


def hand_in(
    settings: SiteSettings, what: str, uid: str, body: Mapping[str, Any], clock: Clock, wait_seconds: float
) -> Answer:
    """Put a request into the inbox and wait a little for it to be taken in. Without a service, take it in here.

    Raises RequestRefused, StoreError (the request then stays in the inbox, to be taken in later).
    """
    path = Path(settings.record.path)
    inbox = Inbox(path)
    put = inbox.put(what, uid, body, clock.wall_ms())
    give_up = time.monotonic() + wait_seconds
    while inbox.is_waiting(put):
        if not take_in_here(settings, path, inbox, clock):
            if time.monotonic() >= give_up:
                return Answer.WAITING
            time.sleep(_LOOK_SECONDS)
    reason = inbox.refusal(put)
    if reason is not None:
        raise RequestRefused(reason)
    return Answer.TAKEN_IN


def take_in_here(settings: SiteSettings, path: Path, inbox: Inbox, clock: Clock) -> bool:
    """Take in what waits, unless another process holds the record; returns whether it was done. Raises StoreError."""
    try:
        writer = RecordWriter.open(path)
    except StoreHeld:
        return False
    except StoreError as error:
        raise StoreError(f"{error}\nWhat was asked for is kept in {inbox.folder} and taken in later.") from error
    try:
        intake = take_in(inbox, settings, writer, _place_at_the_end(writer, clock))
        alarms = AlarmResults()
        if intake.actions:
            alarming = Alarming.open(settings, path)
            now = _this_instant(path, intake.wall_ms)
            alarms = alarming.act(now, intake.wall_ms, intake.actions)
        writer.commit(Commit(log=tuple(intake.log), alarms=alarms))
        for request, why in intake.not_done(alarms.refused):
            inbox.refuse(request.path, why)
        inbox.done(intake.requests)
    finally:
        writer.close()
    return True


def _this_instant(path: Path, wall_ms: int) -> Instant:
    """Now, on the analysis axis: by the clock, as the end of a shelf is, but not before what the record knows last."""
    reader = RecordReader.open(path)
    try:
        sessions = [one for one in reader.sessions() if one.kind == "live"]
    finally:
        reader.close()
    last = sessions[-1]
    mono_ms = last.last_mono_ms if last.last_mono_ms is not None else last.began_mono_ms
    known_ms = mono_ms + axes_of(sessions)[last.id].offset_ms
    return Instant(last.id, max(known_ms, wall_ms))


def _place_at_the_end(writer: RecordWriter, clock: Clock) -> tuple[int, int, int]:
    """After the last reading and the last entry of the record: no fold has come further than that."""
    last = writer.last_session()
    wall_ms = clock.wall_ms()
    if last is None:
        mono_ms = clock.mono_ms()
        note = SessionNote("log book", {}).text()
        return writer.begin_session("live", wall_ms, mono_ms, note, clock.state()), mono_ms, wall_ms
    known: Sequence[int | None] = (last.began_mono_ms, last.last_mono_ms, writer.last_log_mono_ms(last.id))
    return last.id, max(one for one in known if one is not None), wall_ms
