"""The gate: cookies of people who are signed in, tokens of programs."""

from __future__ import annotations

from starlette.responses import Response

from loggerd.access.doors import Access, Begun, TryLater, Visitor
from loggerd.model.access import SignedIn
from loggerd.outputs.web.asking import Ask, TooMuch
from loggerd.outputs.web.gate import Facts
from loggerd.settings.web import WebSettings

_DAY_SECONDS = 86_400
_DEVICE_DAYS = 400
"""Browsers keep no cookie longer."""


class Keeper:
    """Lets in who has a session, and on the interface for programs also who shows a token. Thread-safe.

    Where a token is shown, it counts alone: a wrong one is not made good by the cookie of whoever sits there.
    """

    def __init__(self, access: Access, web: WebSettings) -> None:
        self._access = access
        self._cookie = session_cookie(web)

    def recognise(self, facts: Facts, *, program: bool) -> SignedIn | None:
        """Raises TooMuch for wrong tokens too often, StoreError."""
        shown = facts.headers.get("authorization", "") if program else ""
        if not shown:
            return self._access.person_of(facts.cookies.get(self._cookie, ""))
        scheme, _, token = shown.partition(" ")
        if scheme.lower() != "bearer":
            return None
        try:
            return self._access.program_of(token.strip(), facts.address)
        except TryLater as later:
            raise TooMuch(str(later), later.seconds) from later


def session_cookie(web: WebSettings) -> str:
    """Its name. Browsers take one that begins with __Host- only over TLS and from this very host, so that no other
    host of the domain can plant it (RFC 6265bis)."""
    return "__Host-loggerd" if web.encrypted else "loggerd"


def device_cookie(web: WebSettings) -> str:
    return f"{session_cookie(web)}-device"


def visitor_of(ask: Ask) -> Visitor:
    """Who asks, as far as wrong tries are concerned."""
    device = ask.cookies.get(device_cookie(ask.site.web), "")
    return Visitor(ask.address, ask.headers.get("user-agent", ""), device)


def hand_cookies(response: Response, begun: Begun, web: WebSettings) -> Response:
    """The session into the browser. No script can read it, and other sites' forms do not send it."""
    lasts = round(web.session_days * _DAY_SECONDS)
    response.set_cookie(
        session_cookie(web), begun.session, lasts, path="/", secure=web.encrypted, httponly=True, samesite="lax"
    )
    known = _DEVICE_DAYS * _DAY_SECONDS
    response.set_cookie(
        device_cookie(web), begun.device, known, path="/", secure=web.encrypted, httponly=True, samesite="strict"
    )
    return response


def take_cookie(response: Response, web: WebSettings) -> Response:
    """The session out of the browser. That somebody has signed in there before stays known."""
    response.delete_cookie(session_cookie(web), path="/", secure=web.encrypted, httponly=True, samesite="lax")
    return response
