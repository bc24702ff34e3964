"""Signing in and being known again: what pages and commands ask of the file of who may look."""

from __future__ import annotations

import hashlib
import logging
import secrets
import unicodedata
from dataclasses import dataclass, field
from pathlib import Path

from loggerd.access.limits import address_key, limits_for, token_limit
from loggerd.access.passwords import Passwords, TooBusy
from loggerd.clock import Clock
from loggerd.errors import LoggerdError, StoreError
from loggerd.model.access import SignedIn
from loggerd.model.scan import ClockState
from loggerd.model.throttle import TryLimit
from loggerd.settings.site import SiteSettings
from loggerd.store.access import AccessStore
from loggerd.store.access_shapes import AuditLine, NewSession, Person, StoredSession

_log = logging.getLogger("loggerd")

IDLE_DAYS = 14
"""A session that nobody has used for so long ends, own choice; `session_days` ends it in any case."""
LONGEST_NAME = 60
TOKEN_BEGIN = "loggerd_"
"""Marks a token as one, so that programs that look for lost secrets find it."""
_DAY_MS = 86_400_000
_LONGEST_AGENT = 200
_RESERVED = frozenset({"loggerd"})
"""By which the record names what happened by itself."""


class TryLater(LoggerdError):  # noqa: N818 - the family name is in the base class
    """Too many wrong tries. `seconds`: when the next one is looked at."""

    def __init__(self, wait_ms: int) -> None:
        self.seconds = max(1, -(-wait_ms // 1000))
        super().__init__(f"too many wrong tries; the next one is looked at in {self.seconds} s")


class NameRefused(LoggerdError):  # noqa: N818
    """A name that cannot be taken."""


@dataclass(frozen=True)
class Visitor:
    """A browser. `device`: what its second cookie holds, "" for none; `agent`: what it says it is."""

    address: str
    agent: str = ""
    device: str = field(default="", repr=False)


@dataclass(frozen=True)
class Begun:
    """A session that has begun: what the browser's two cookies are to hold."""

    person: Person
    session: str = field(repr=False)
    device: str = field(repr=False)


class Access:
    """The doors of one site. For any number of threads; others may change the same file meanwhile."""

    def __init__(
        self, store: AccessStore, clock: Clock, session_days: float = 30, passwords: Passwords | None = None
    ) -> None:
        self.store = store
        self.clock = clock
        self.session_days = session_days
        self.passwords = passwords or Passwords()

    @staticmethod
    def of(settings: SiteSettings, clock: Clock) -> Access:
        """Makes the file where it is not there. Raises StoreError."""
        return Access(AccessStore(Path(settings.record.path)), clock, settings.web.session_days)

    def line(self, who: str, address: str, what: str, words: str = "") -> AuditLine:
        """A line of the trail, of now."""
        return AuditLine(self.clock.wall_ms(), who, printable(address)[:_LONGEST_AGENT], what, words)

    # -- signing in --

    def sign_in(self, name: str, password: str, visitor: Visitor) -> Begun | None:
        """None for a wrong name or password, whichever it is. Raises TryLater, TooBusy, StoreError."""
        person = self.store.person(normal_name(name))
        if not self._is_right(name, person, password, visitor):
            known = "wrong password" if person is not None else "unknown name"
            self.store.note(self.line(person.name if person is not None else "", visitor.address, known))
            return None
        assert person is not None
        return self._begin(person, self._dearer(person, password), visitor)

    def change_password(self, person: Person, former: str, new: str, visitor: Visitor) -> Begun | None:
        """Whoever is signed in as this person is so no longer; this browser gets a new session. None where the former
        one is wrong. Raises PasswordRefused, TryLater, TooBusy, StoreError."""
        if not self._is_right(person.name, person, former, visitor):
            self.store.note(self.line(person.name, visitor.address, "wrong password", "to change it"))
            return None
        hashed = self.passwords.hashed(new)
        self.store.set_password(person.id, hashed, self.line(person.name, visitor.address, "password changed"))
        return self._begin(person, hashed, visitor)

    def _is_right(self, name: str, person: Person | None, password: str, visitor: Visitor) -> bool:
        """Counted as wrong before it is looked at: tries that come all at once gain nothing by it."""
        device = hash_of(visitor.device)
        known = person is not None and bool(visitor.device) and self.store.is_device(device, person.id)
        own, shared = limits_for(normal_name(name), visitor.address, device.hex() if known else None)
        wait_ms = self.store.try_once((*own, *shared), self.clock.wall_ms())
        if wait_ms:
            raise TryLater(wait_ms)
        try:
            right = self.passwords.is_right(password, None if person is None else person.password)
        except TooBusy:
            self.store.was_right((), (*own, *shared))
            raise
        if right:
            self.store.was_right(own, shared)
        return right

    def _dearer(self, person: Person, password: str) -> str:
        """The hash that holds now: made anew where it was made at another cost."""
        if not self.passwords.is_cheap(person.password):
            return person.password
        hashed = self.passwords.made_anew(password)
        self.store.rehash(person.id, person.password, hashed)
        return hashed

    def _begin(self, person: Person, hashed: str, visitor: Visitor) -> Begun | None:
        """Ids are new at each signing in: one that somebody else has planted is worth nothing."""
        session = secrets.token_urlsafe(32)
        known = bool(visitor.device) and self.store.is_device(hash_of(visitor.device), person.id)
        device = visitor.device if known else secrets.token_urlsafe(32)
        new = NewSession(
            hash_of(session),
            hash_of(device),
            person.id,
            hashed,
            self.clock.wall_ms() + round(self.session_days * _DAY_MS),
            printable(visitor.agent)[:_LONGEST_AGENT],
            printable(visitor.address)[:_LONGEST_AGENT],
        )
        if not self.store.begin_session(new, self.line(person.name, visitor.address, "signed in")):
            return None
        return Begun(person, session, device)

    # -- being known again --

    def session(self, cookie: str) -> StoredSession | None:
        """The session of what a cookie holds, while it lasts. Raises StoreError."""
        found = self.store.session(hash_of(cookie)) if cookie else None
        return found if found is not None and self.holds(found) else None

    def holds(self, session: StoredSession) -> bool:
        """Whether its time is not over."""
        now_ms = self.clock.wall_ms()
        return now_ms < session.ends_ms and now_ms - session.seen_ms < IDLE_DAYS * _DAY_MS

    def person_of(self, cookie: str) -> SignedIn | None:
        """Who is signed in; notes now and then that the session was used. Raises StoreError."""
        found = self.session(cookie)
        if found is None:
            return None
        try:
            self._note_use(found)
        except StoreError as error:
            # A full disk must not keep out who is in.
            _log.warning("it cannot be noted that a session is used: %s", error)
        person = found.person
        return SignedIn(person.name, person.role, False, person.language, person.fahrenheit)

    def _note_use(self, session: StoredSession) -> None:
        """Raises StoreError."""
        now_ms, is_set = self.clock.wall_ms(), self.clock.state() is ClockState.SET
        # A board without a clock chip begins in the past: noted then, nobody would have come for long when it is set.
        if is_set or now_ms > session.seen_ms:
            self.store.saw_session(session, now_ms)
        latest_ms = now_ms + round(self.session_days * _DAY_MS)
        if is_set and session.ends_ms > latest_ms:
            # It began while the clock was ahead, and must not last longer for that.
            self.store.shorten_session(session.id, latest_ms)

    def program_of(self, token: str, address: str) -> SignedIn | None:
        """The program behind a token. Raises TryLater for wrong ones too often, StoreError.

        A right one is never held up: guessing 256 bits is hopeless, the wait is for programs that knock on and on.
        """
        found = self.store.token(hash_of(token))
        if found is not None:
            try:
                self.store.saw_token(found, self.clock.wall_ms())
            except StoreError as error:
                _log.warning("it cannot be noted that a token is used: %s", error)
            return SignedIn(f"{found.name} (program)", found.scope.role, by_token=True)
        limit: TryLimit = token_limit(address)
        wait_ms = self.store.try_once((limit,), self.clock.wall_ms())
        if wait_ms:
            raise TryLater(wait_ms)
        self.store.note(self.line("", address_key(address), "wrong token"))
        return None


def hash_of(secret: str) -> bytes:
    """SHA-256. Enough for what is random and long; passwords go through Passwords."""
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).digest()


def new_token() -> str:
    return TOKEN_BEGIN + secrets.token_urlsafe(32)


def normal_name(text: str) -> str:
    """A name as it was typed, to look for."""
    return unicodedata.normalize("NFKC", text[: 4 * LONGEST_NAME]).strip()


def checked_name(text: str) -> str:
    """A name that may be taken. Raises NameRefused."""
    name = normal_name(text)
    if not 0 < len(name) <= LONGEST_NAME or not name.isprintable() or any(one in name for one in '"\\/<>'):
        raise NameRefused(
            f'a name has 1 to {LONGEST_NAME} characters that can be printed, none of " \\ / < >; found {text[:80]!r}'
        )
    if name.casefold() in _RESERVED:
        raise NameRefused(f'"{name}" is how the record names what happens by itself; choose another name')
    return name


def printable(text: str) -> str:
    """What somebody sent, as it may be shown and stored."""
    return "".join(one if one.isprintable() else "?" for one in text)
