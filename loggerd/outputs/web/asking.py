"""What a page is asked for, and with what it can answer."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, TypeAlias
from zoneinfo import ZoneInfo

from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from loggerd.analysis.axis import SessionAxis
from loggerd.clock import Clock
from loggerd.model.access import Need, SignedIn
from loggerd.outputs.web.rendering import Rendering
from loggerd.plans import axes_of
from loggerd.settings.site import SiteSettings
from loggerd.store.record import RecordReader
from loggerd.wording.reader import Reader

NOT_NOW = "this cannot be done at the moment; the log of the pages says why, to whoever looks after the logger"
"""What strangers are told of a fault of ours: not where its files are."""


class NotThere(Exception):  # noqa: N818 - it is an answer, not a fault
    """What was asked for does not exist: 404, with these words."""


class CannotBeUsed(Exception):  # noqa: N818
    """What was sent cannot be used: 422 on the interface for programs, 400 on a page, with these words."""


class TooMuch(Exception):  # noqa: N818
    """Asked too often: 429. `seconds`: when to come again."""

    def __init__(self, words: str, seconds: int) -> None:
        super().__init__(words)
        self.seconds = seconds


@dataclass(frozen=True)
class Ask:
    """One request, as the function behind a page sees it. Lives in one thread, as long as the request.

    `record` is open while the function runs, not beyond: what streams opens its own. `path`, `query` and `form` hold
    text as it came, nothing of it checked. `secure`: over TLS. `address`: of who asks.
    """

    site: SiteSettings
    record: RecordReader
    clock: Clock
    words: Reader
    rendering: Rendering
    who: SignedIn | None = None
    path: Mapping[str, str] = field(default_factory=dict)
    query: Mapping[str, str] = field(default_factory=dict)
    form: Mapping[str, str] = field(default_factory=dict)
    headers: Mapping[str, str] = field(default_factory=dict)
    cookies: Mapping[str, str] = field(default_factory=dict)
    body: bytes = b""
    url: str = "/"
    address: str = ""

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.site.site.timezone)

    @cached_property
    def axes(self) -> Mapping[int, SessionAxis]:
        """The time axes of all sessions, read once. Raises StoreError."""
        return axes_of(self.record.sessions())

    def bank(self) -> str:
        """The bank that the path names. Raises NotThere."""
        name = self.path["bank"]
        if name not in {one.name for one in self.site.banks}:
            raise NotThere(f'there is no bank "{name}" at this site')
        return name

    def page(self, template: str, status: int = 200, **values: Any) -> Response:
        """A page made of a template in `templates`."""
        return HTMLResponse(self.rendering.page(template, self, values), status)

    @staticmethod
    def json(value: Any, status: int = 200) -> Response:
        return JSONResponse(value, status)

    @staticmethod
    def go_to(place: str) -> Response:
        """After a form was taken: the browser opens that place anew."""
        return RedirectResponse(place, 303)


Handler: TypeAlias = Callable[[Ask], Response]
"""Runs in a thread of its own, with the record open. May raise NotThere, CannotBeUsed, TooMuch or StoreError."""


@dataclass(frozen=True)
class Route:
    """One address. `path` in Starlette's form: "/bank/{bank}/cycles". `program`: of the interface for programs, which
    answers faults as JSON and takes tokens; pages take sessions only. `without_record`: its function gets no record
    (`ask.record` must not be touched), so that it answers even while there is none."""

    path: str
    handler: Handler
    need: Need
    method: str = "GET"
    program: bool = False
    without_record: bool = False
