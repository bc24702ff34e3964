"""/sign-in and /sign-out."""

from __future__ import annotations

from starlette.responses import Response

from loggerd.access.doors import Access, TryLater
from loggerd.access.passwords import TooBusy
from loggerd.model.access import Need
from loggerd.outputs.web.asking import Ask, Route, TooMuch
from loggerd.outputs.web.keeping import hand_cookies, session_cookie, take_cookie, visitor_of

_WRONG = "Name or password is wrong."
_SOME_SECONDS = 5


class SignInPages:
    """Pages for who is not signed in yet, or wants to leave."""

    def __init__(self, access: Access) -> None:
        self._access = access

    def routes(self) -> tuple[Route, ...]:
        nothing = Need.NOTHING
        return (
            Route("/sign-in", self.show, nothing, without_record=True),
            Route("/sign-in", self.take, nothing, "POST", without_record=True),
            Route("/sign-out", self.leave, nothing, "POST", without_record=True),
        )

    def show(self, ask: Ask) -> Response:
        place = own_place(ask.query.get("next", ""))
        if ask.who is not None:
            return ask.go_to(place)
        return self._form(ask, place)

    def take(self, ask: Ask) -> Response:
        place = own_place(ask.form.get("next", ""))
        name = ask.form.get("name", "")
        try:
            begun = self._access.sign_in(name, ask.form.get("password", ""), visitor_of(ask))
        except TryLater as later:
            raise TooMuch(f"There were too many wrong tries. Try again in {later.seconds} s.", later.seconds) from later
        except TooBusy as busy:
            raise TooMuch(str(busy), _SOME_SECONDS) from busy
        if begun is None:
            return self._form(ask, place, _WRONG, 403)
        self._end(ask)
        return hand_cookies(ask.go_to(place), begun, ask.site.web)

    def leave(self, ask: Ask) -> Response:
        self._end(ask)
        return take_cookie(ask.go_to("/sign-in"), ask.site.web)

    def _form(self, ask: Ask, place: str, fault: str = "", status: int = 200) -> Response:
        anybody = bool(self._access.store.people())
        return ask.page("sign_in.html", status, place=place, fault=fault, anybody=anybody)

    def _end(self, ask: Ask) -> None:
        """The session that this browser had ends for everybody who may have its cookie."""
        found = self._access.session(ask.cookies.get(session_cookie(ask.site.web), ""))
        if found is not None:
            line = self._access.line(found.person.name, ask.address, "signed out")
            self._access.store.end_session(found.id, found.person.id, line)


def own_place(text: str) -> str:
    """Where to go after signing in: a page of this site, never another site; "/" for anything else.

    Browsers take a backslash for a slash and leave out line breaks and tabs before they look at an address (WHATWG
    URL Standard), so nothing of that may be in it.
    """
    own = text.startswith("/") and not text.startswith("//") and "\\" not in text and text.isprintable()
    return text if own and len(text) <= 1000 else "/"
