"""A watcher: waits for the signs of life of sites, and tells keepers by mail when one stays out.

Signs of life come in by webhook (`take_call`, from the threads of the listener) and as mails (`look`); mails go out in
a thread of their own (`turn`). All of them share what is known under one lock, and store it before they go on.
"""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from http import HTTPStatus
from pathlib import Path
from zoneinfo import ZoneInfo

from loggerd.alarms.catalogue import HOUR_MS
from loggerd.alarms.conditions import ALARM_CONDITIONS
from loggerd.alarms.heartbeats import (
    TOPIC,
    Heartbeat,
    Notice,
    Watched,
    WatchState,
    heard,
    heartbeat_of,
    looked,
    overdue_ms,
    unheard,
)
from loggerd.clock import Clock
from loggerd.errors import DeliveryRefused, StoreError
from loggerd.mailing import hand_in_mail, keeper_receiver
from loggerd.model.alarm import AlarmKey
from loggerd.model.scan import ClockState
from loggerd.outputs.attempt import Attempt, Runner
from loggerd.outputs.back_off import wait_ms
from loggerd.outputs.bare_mail import COMPOSING_FAULTS
from loggerd.outputs.heartbeat_mail import Mailbox, heartbeat_mail
from loggerd.outputs.mail_form import mail_bytes, new_message_id
from loggerd.outputs.outcome import Outcome, Trouble
from loggerd.outputs.signing import is_right, signed_content
from loggerd.outputs.watch_state import Now, StateFile, boot_name, off_ms
from loggerd.settings.texts import load_texts
from loggerd.settings.watch import WatchedSite, WatchSettings
from loggerd.wording.filling import one_line
from loggerd.wording.mail import Mail
from loggerd.wording.reader import Reader
from loggerd.wording.watch import Watch, compose_watch

_log = logging.getLogger("loggerd")
STORE_AGAIN_MS = HOUR_MS
"""So often it is stored anyway: a machine whose clock is never set then loses no more than this by a restart."""
SILENT = "logger_silent"
_PRIORITY = next(one.priority for one in ALARM_CONDITIONS if one.name == SILENT)


@dataclass(frozen=True)
class SiteNow:
    """How a site stands. Times are epoch ms by the watcher's clock; `overdue_ms`: 0 or less while it is not overdue."""

    name: str
    now_ms: int
    overdue_ms: int
    heard_ms: int | None
    next_ms: int


class Watcher:
    """Knows the sites. `open` first."""

    def __init__(self, settings: WatchSettings, clock: Clock, boot: Callable[[], str] = boot_name) -> None:
        self._settings = settings
        self._clock = clock
        self._boot = boot()
        self._zone = ZoneInfo(settings.watcher.timezone)
        self._sites = {one_line(site.name): site for site in settings.sites}
        self._graces_ms = {name: round(site.grace_minutes * 60_000) for name, site in self._sites.items()}
        receivers = [keeper_receiver(keeper, self._zone) for keeper in settings.keepers]
        self._receivers = {one.name: one for one in receivers if one.takes(AlarmKey("", SILENT, ""), _PRIORITY)}
        self._file = StateFile(Path(settings.watcher.state))
        self._mailbox = Mailbox(Path(settings.mailbox.folder)) if settings.mailbox is not None else None
        self._lock = threading.RLock()
        self._state = WatchState()
        self._since: Now | None = None
        self._stored_mono_ms = 0
        self._told: dict[str, str] = {}
        self._runner = Runner()
        self._attempt: Attempt | None = None

    # -- beginning and end --

    def open(self, *, hold: bool = True) -> None:
        """Read what was known. `hold`: to go on from it, as the only one who does. Raises StoreError."""
        if hold:
            self._file.hold()
        loaded = self._file.load(self._now())
        self._state, self._since = loaded.state, loaded.since

    def close(self) -> None:
        self._file.let_go()

    def give_up(self) -> None:
        """End the try to send that is under way, from another thread."""
        if (attempt := self._attempt) is not None:
            attempt.give_up()

    # -- signs of life --

    def take_call(self, body: bytes, signature: str) -> HTTPStatus:
        """What is answered to a webhook. Nothing of a body is looked at before its signature is found right."""
        right, unknown = [], False
        for name, site in self._sites.items():
            secret = self._secret(name, site) if site.signed else b""
            unknown = unknown or secret is None
            if secret and is_right(secret, body, signature):
                right.append(name)
        if not right:
            self._tell("call", "a webhook came whose signature is not that of any site; it counts for nothing")
            return HTTPStatus.SERVICE_UNAVAILABLE if unknown else HTTPStatus.UNAUTHORIZED
        try:
            document = json.loads(body)
            if not isinstance(document, dict):
                raise ValueError("it is no table")  # noqa: TRY004, TRY301 - what is wrong is what came
            if document.get("topic") != TOPIC:
                return HTTPStatus.NO_CONTENT
            beat = heartbeat_of(document)
        except (ValueError, RecursionError) as error:
            self._tell(right[0], f"a webhook signed by {right[0]} makes no sense: {error}")
            return HTTPStatus.BAD_REQUEST
        if one_line(beat.site) not in right:
            self._tell(
                right[0], f'a sign of life of "{one_line(beat.site)}" is signed with another secret than its own'
            )
            return HTTPStatus.UNAUTHORIZED
        self._hear(beat)
        return HTTPStatus.NO_CONTENT

    def _take_mail(self, path: Path, content: bytes) -> None:
        try:
            mail = heartbeat_mail(content)
            if mail is None:
                return
            beat = heartbeat_of(mail.document)
        except ValueError as error:
            self._tell("mail", f"{path} is no usable sign of life: {error}")
            return
        site = self._sites.get(beat.site)
        if site is None:
            self._tell("mail", f'{path}: a sign of life of "{beat.site}", which is not waited for here')
            return
        if site.signed:
            secret = self._secret(beat.site, site)
            if not secret or not is_right(secret, signed_content(mail.heads), mail.signature):
                self._tell(beat.site, f'{path}: its signature is not that of "{beat.site}"; it counts for nothing')
                return
        self._hear(beat)

    def _hear(self, beat: Heartbeat) -> None:
        """Take in a sign of life whose sender is known; stored when this returns."""
        name, now = one_line(beat.site), self._now()
        with self._lock:
            before = self._state.sites.get(name) or unheard(now.mono_ms)
            after = heard(before, beat, now.mono_ms, now.wall_ms)
            if after is None:
                if beat.sent_ms != before.newest_ms:
                    self._tell(name, f'an old sign of life of "{name}" came again; it counts for nothing')
                return
            self._state = self._state.with_site(name, after)
            self._store(now)

    def _secret(self, name: str, site: WatchedSite) -> bytes | None:
        """None where it cannot be read just now."""
        try:
            return site.secret()
        except DeliveryRefused as error:
            self._tell(f"{name} secret", f'nothing of "{name}" can count: {error}')
            return None

    # -- looks --

    def look(self, *, tell: bool = True) -> None:
        """Take in new mails, and see which sites are silent. `tell`: put what keepers are to know on its way."""
        if self._mailbox is not None:
            try:
                for path, content in self._mailbox.new():
                    self._take_mail(path, content)
            except OSError as error:
                self._tell("mailbox", f"{error.filename}: mails cannot be read ({error.strerror})")
        repeats = {name: round(one.repeat_hours * HOUR_MS) for name, one in self._receivers.items()}
        with self._lock:
            now = self._now()
            before = self._state
            if self._since is not None and now.wall_set:
                # The clock is set at last: for so long this machine had been off, and sites were waited for.
                self._state = self._state.shifted(-off_ms(self._since, now))
                self._since = None
            self._state = looked(self._state, self._graces_ms, repeats if tell else None, now.mono_ms)
            if self._state != before or now.mono_ms - self._stored_mono_ms >= STORE_AGAIN_MS:
                self._store(now)

    def sites(self) -> list[SiteNow]:
        """How they stand, in the order of the settings."""
        return list(self._sites_now())

    def _sites_now(self) -> Iterator[SiteNow]:
        with self._lock:
            now, state = self._now(), self._state
        for name in self._sites:
            watched = state.sites.get(name) or unheard(now.mono_ms)
            late_ms = overdue_ms(watched, self._graces_ms[name], now.mono_ms)
            yield SiteNow(name, now.wall_ms, late_ms, watched.heard_wall_ms, _next_ms(watched, now))

    # -- mails --

    def turn(self) -> float:
        """Try one mail, if one is due. Returns for how many seconds there is nothing to do."""
        with self._lock:
            now = self._now()
            due = [(self._due_ms(one, now), one) for one in self._firsts()]
            if not due:
                return 60.0
            due_ms, notice = min(due, key=lambda pair: pair[0])
            if due_ms > now.mono_ms:
                return min(60.0, (due_ms - now.mono_ms) / 1000)
            trying = notice if notice.content else self._composed(notice, now)
            trying = replace(trying, tries=trying.tries + 1, next_mono_ms=now.mono_ms)
            # Stored before the try: a crash in it is followed by the same mail, under the same name.
            kept = (trying if one is notice else one for one in self._state.notices)
            self._state = replace(self._state, notices=tuple(kept))
            self._store(now)
        outcome = self._send(trying)
        with self._lock:
            self._note(trying, outcome)
        return 0.0

    def _firsts(self) -> list[Notice]:
        """Of each keeper the first: they are told in order."""
        found: dict[str, Notice] = {}
        for one in self._state.notices:
            found.setdefault(one.keeper, one)
        return [one for one in found.values() if one.keeper in self._receivers]

    def _due_ms(self, notice: Notice, now: Now) -> int:
        quiet = self._receivers[notice.keeper].quiet
        # Without a set clock nobody knows when it is night.
        loud_ms = quiet.next_loud_ms(now.wall_ms) if quiet is not None and now.wall_set else now.wall_ms
        return max(notice.next_mono_ms, now.mono_ms + loud_ms - now.wall_ms)

    def _composed(self, notice: Notice, now: Now) -> Notice:
        assert self._settings.mail is not None
        sender = self._settings.mail.sender
        watched = self._state.sites[notice.site]
        late_ms = max(notice.overdue_ms, overdue_ms(watched, self._graces_ms[notice.site], now.mono_ms))
        next_ms = _next_ms(watched, now)
        watch = Watch(
            self._settings.watcher.name, notice.site, notice.kind, now.wall_ms, late_ms, watched.heard_wall_ms, next_ms,
            now.wall_set,
        )  # fmt: skip
        try:
            mail = compose_watch(watch, self._reader(notice.keeper))
        except COMPOSING_FAULTS:
            _log.exception("the words of a mail to %s cannot be made; it is sent without them", notice.keeper)
            mail = Mail(f"{notice.site}: {notice.kind.value}", f"{notice.site}: {notice.kind.value}\n", "")
        message_id = new_message_id(sender)
        people = notice.site, sender, self._receivers[notice.keeper].address
        at = datetime.fromtimestamp(now.wall_ms / 1000, UTC).astimezone(self._zone)
        content = mail_bytes(mail, people, message_id, at, urgent=False).decode("ascii")
        return replace(notice, message_id=message_id, subject=mail.subject, content=content)

    def _reader(self, name: str) -> Reader:
        keeper = next(one for one in self._settings.keepers if one.name == name)
        return Reader(load_texts(keeper.language), self._zone, keeper.units == "fahrenheit")

    def _send(self, notice: Notice) -> Outcome:
        table, address = self._settings.mail, self._receivers[notice.keeper].address
        assert table is not None
        self._attempt = attempt = Attempt(table.timeout_seconds)
        outcome = self._runner.run(
            attempt, lambda running: hand_in_mail(table, address, notice.content.encode("ascii"), running)
        )
        self._attempt = None
        return outcome

    def _note(self, tried: Notice, outcome: Outcome) -> None:
        now = self._now()
        if outcome.accepted:
            self._told.pop(f"mail {tried.keeper}", None)
            rest = (one for one in self._state.notices if one.message_id != tried.message_id)
            # The way is open: what had failed on it need not wait any longer.
            self._state = replace(self._state, notices=tuple(replace(one, next_mono_ms=now.mono_ms) for one in rest))
        else:
            self._tell(f"mail {tried.keeper}", f"mail to {tried.keeper}: {outcome.answer}")
            # It is tried until it is taken: nobody else tells that the site is silent.
            told = replace(outcome, trouble=Trouble.SETUP) if outcome.refused else outcome
            later_ms = now.mono_ms + wait_ms(told, tried.tries, urgent=False)
            later = replace(tried, next_mono_ms=later_ms, answer=outcome.answer)
            kept = (later if one.message_id == tried.message_id else one for one in self._state.notices)
            self._state = replace(self._state, notices=tuple(kept))
        self._store(now)

    # -- what all of them need --

    def _now(self) -> Now:
        wall_set = self._clock.state() is ClockState.SET
        return Now(self._boot, self._clock.mono_ms(), self._clock.wall_ms(), wall_set)

    def _store(self, now: Now) -> None:
        """Without its file it goes on from memory: a full disk must not keep an alarm from being told."""
        try:
            self._file.save(self._state, now)
            self._told.pop("state", None)
        except StoreError as error:
            self._tell("state", f"{error}; the watcher goes on without it")
        self._stored_mono_ms = now.mono_ms

    def _tell(self, about: str, text: str) -> None:
        """In the log, once until it changes: whoever sends garbage does not fill it."""
        if self._told.get(about) != text:
            self._told[about] = text
            _log.warning("%s", text)


def _next_ms(watched: Watched, now: Now) -> int:
    return now.wall_ms + watched.expected_mono_ms - now.mono_ms
