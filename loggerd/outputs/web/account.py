"""/account: how somebody reads, where they are signed in, their password; for keepers the trail of all this."""

from __future__ import annotations

from dataclasses import dataclass

from starlette.responses import Response

from loggerd.access.doors import Access, TryLater
from loggerd.access.passwords import SHORTEST, PasswordRefused, TooBusy
from loggerd.model.access import Need, Role
from loggerd.outputs.web.asking import Ask, CannotBeUsed, NotThere, Route, TooMuch
from loggerd.outputs.web.keeping import hand_cookies, session_cookie, take_cookie, visitor_of
from loggerd.settings.texts import LANGUAGES
from loggerd.store.access_shapes import AuditLine, StoredSession

TRAIL_LINES = 50
_LANGUAGE_NAMES = {"en": "English", "de": "Deutsch"}
_DONE = {
    "reading": "Language and units are changed.",
    "password": "The password is changed. Everywhere else you are signed out.",
    "session": "That browser is signed out.",
}
_UNITS = ("celsius", "fahrenheit")
_SOME_SECONDS = 5


@dataclass(frozen=True)
class SessionRow:
    """A browser, as it is listed."""

    id: int
    agent: str
    address: str
    began: str
    seen: str
    is_this: bool


@dataclass(frozen=True)
class TrailRow:
    at: str
    who: str
    address: str
    what: str


class AccountPages:
    """Pages for somebody who is signed in, about themselves."""

    def __init__(self, access: Access) -> None:
        self._access = access

    def routes(self) -> tuple[Route, ...]:
        need = Need.READER
        return (
            Route("/account", self.show, need, without_record=True),
            Route("/account/reading", self.change_reading, need, "POST", without_record=True),
            Route("/account/password", self.change_password, need, "POST", without_record=True),
            Route("/account/end-session", self.end_session, need, "POST", without_record=True),
        )

    def show(self, ask: Ask) -> Response:
        return self._page(ask, told=_DONE.get(ask.query.get("done", ""), ""))

    def change_reading(self, ask: Ask) -> Response:
        language, units = ask.form.get("language", ""), ask.form.get("units", "")
        if language not in LANGUAGES or units not in _UNITS:
            raise CannotBeUsed("choose a language and units from the lists")
        self._access.store.set_reading(self._own(ask).person.id, language, units == "fahrenheit")
        return ask.go_to("/account?done=reading")

    def change_password(self, ask: Ask) -> Response:
        former, new, again = (ask.form.get(key, "") for key in ("former", "new", "again"))
        if new != again:
            return self._page(ask, 400, fault="The new password was not the same both times.")
        try:
            begun = self._access.change_password(self._own(ask).person, former, new, visitor_of(ask))
        except PasswordRefused as refused:
            return self._page(ask, 400, fault=str(refused))
        except TryLater as later:
            raise TooMuch(f"There were too many wrong tries. Try again in {later.seconds} s.", later.seconds) from later
        except TooBusy as busy:
            raise TooMuch(str(busy), _SOME_SECONDS) from busy
        if begun is None:
            return self._page(ask, 403, fault="The present password is wrong.")
        return hand_cookies(ask.go_to("/account?done=password"), begun, ask.site.web)

    def end_session(self, ask: Ask) -> Response:
        own = self._own(ask)
        text = ask.form.get("session", "")
        number = int(text) if text.isascii() and text.isdecimal() and len(text) < 18 else 0
        line = self._access.line(own.person.name, ask.address, "signed out", "one of their browsers, from the account")
        if not self._access.store.end_session(number, own.person.id, line):
            raise NotThere("you have no such session; it may have ended meanwhile")
        if number == own.id:
            return take_cookie(ask.go_to("/sign-in"), ask.site.web)
        return ask.go_to("/account?done=session")

    def _own(self, ask: Ask) -> StoredSession:
        found = self._access.session(ask.cookies.get(session_cookie(ask.site.web), ""))
        if found is None:
            raise NotThere("your session has just ended; sign in again")
        return found

    def _page(self, ask: Ask, status: int = 200, *, told: str = "", fault: str = "") -> Response:
        own = self._own(ask)
        return ask.page(
            "account.html",
            status,
            told=told,
            fault=fault,
            person=own.person,
            is_keeper=own.person.role is Role.KEEPER,
            languages=[(code, _LANGUAGE_NAMES[code]) for code in LANGUAGES],
            sessions=self._sessions(ask, own),
            trail=self._trail(ask) if own.person.role is Role.KEEPER else [],
            shortest=SHORTEST,
        )

    def _sessions(self, ask: Ask, own: StoredSession) -> list[SessionRow]:
        """Those that still hold, the one that asks first."""
        held = [one for one in self._access.store.sessions(own.person.id) if self._access.holds(one)]
        held.sort(key=lambda one: one.id != own.id)
        instant = ask.words.instant
        return [
            SessionRow(
                one.id, one.agent, one.address, instant(one.began_ms), instant(one.seen_ms), is_this=one.id == own.id
            )
            for one in held
        ]

    def _trail(self, ask: Ask) -> list[TrailRow]:
        lines = self._access.store.audit(TRAIL_LINES)
        return [TrailRow(ask.words.instant(one.at_ms), one.who, one.address, _what(one)) for one in lines]


def _what(line: AuditLine) -> str:
    return f"{line.what}: {line.words}" if line.words else line.what
