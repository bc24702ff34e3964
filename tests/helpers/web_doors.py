"""Who knocks: the same application, asked by everybody there is, without a network and only as far as it answers."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import unquote

from seeded_site import END_MS

from loggerd.clock import AcceleratedClock
from loggerd.model.access import Role, SignedIn
from loggerd.outputs.web.application import Application
from loggerd.outputs.web.asking import Route
from loggerd.outputs.web.gate import Facts
from loggerd.outputs.web.streaming import Stream
from loggerd.settings.site import SiteSettings

_OWN = {"origin": "http://localhost", "sec-fetch-site": "same-origin"}
SESSIONS = {"ben": SignedIn("ben", Role.READER), "anna": SignedIn("anna", Role.KEEPER)}
TOKENS = {
    "read-token": SignedIn("weather station", Role.READER, by_token=True),
    "enter-token": SignedIn("water cart", Role.KEEPER, by_token=True),
}
KNOCKERS: dict[str, Mapping[str, str]] = {
    "nobody": _OWN,
    "reader": {**_OWN, "cookie": "session=ben"},
    "keeper": {**_OWN, "cookie": "session=anna"},
    "read token": {"authorization": "Bearer read-token"},
    "enter token": {"authorization": "Bearer enter-token"},
}
"""Headers of each who may come."""
_GO_AWAY_SECONDS = 2.0


@dataclass
class Doors:
    """A gate of known sessions and tokens, which keeps the contract of Gate."""

    def recognise(self, facts: Facts, *, program: bool) -> SignedIn | None:
        if program and "authorization" in facts.headers:
            return TOKENS.get(facts.headers["authorization"].removeprefix("Bearer "))
        return SESSIONS.get(facts.cookies.get("session", ""))


@dataclass
class Told:
    """What an application answered. The body only as far as it was waited for."""

    status: int
    headers: dict[str, str]
    body: bytes = field(default=b"")
    size: int = 0


def application(settings: SiteSettings, routes: Iterable[Route], streams: Iterable[Stream] = ()) -> Any:
    """The application behind Doors. The clock stands at the end of a seeded past."""
    return Application(settings, AcceleratedClock(END_MS, 1), Doors(), routes, streams).asgi()


async def knock(
    app: Any,
    method: str,
    address: str,
    headers: Mapping[str, str],
    body: bytes = b"",
    *,
    parts: int = 1,
    keep: bool = True,
    leave: asyncio.Event | None = None,
) -> Told:
    """Ask, take so many parts of the body (0: all), and go away; with `leave` when that is set.

    Without `keep` the body is only counted. Raises what the application raises.
    """
    call = _Call(body, parts, keep, asyncio.Event() if leave is None else leave)
    answering = asyncio.create_task(app(_scope(method, address, headers), call.receive, call.send))
    waiting = asyncio.create_task(call.enough.wait())
    await asyncio.wait({answering, waiting}, return_when=asyncio.FIRST_COMPLETED)
    waiting.cancel()
    _, late = await asyncio.wait({answering}, timeout=_GO_AWAY_SECONDS)
    if late:
        # A stream of events that waits for the next one: it is told by cancelling, as a server does.
        answering.cancel()
        await asyncio.wait({answering})
    if not answering.cancelled() and (error := answering.exception()) is not None:
        raise error
    return call.told


def _scope(method: str, address: str, headers: Mapping[str, str]) -> dict[str, Any]:
    path, _, query = address.partition("?")
    return {
        "type": "http",
        "asgi": {"version": "3.0", "spec_version": "2.3"},
        "http_version": "1.1",
        "method": method,
        "scheme": "http",
        "path": unquote(path),
        "raw_path": path.encode("ascii"),
        "query_string": query.encode("ascii"),
        "root_path": "",
        "headers": [(b"host", b"localhost"), *((name.encode(), value.encode()) for name, value in headers.items())],
        "client": ("192.0.2.7", 50_000),
        "server": ("localhost", 80),
    }


@dataclass
class _Call:
    """One request from the side of a server."""

    body: bytes
    left: int
    keep: bool
    enough: asyncio.Event
    told: Told = field(default_factory=lambda: Told(0, {}))
    asked: bool = False

    async def receive(self) -> dict[str, Any]:
        if not self.asked:
            self.asked = True
            return {"type": "http.request", "body": self.body, "more_body": False}
        await self.enough.wait()
        return {"type": "http.disconnect"}

    async def send(self, message: dict[str, Any]) -> None:
        if message["type"] == "http.response.start":
            self.told.status = message["status"]
            self.told.headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in message["headers"]}
            if self.told.headers.get("content-type", "").startswith("text/event-stream"):
                self.enough.set()
            return
        part = message.get("body", b"")
        self.told.size += len(part)
        if self.keep:
            self.told.body += part
        self.left -= 1
        if self.left == 0 or not message.get("more_body", False):
            self.enough.set()
