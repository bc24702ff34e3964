"""The application: routes, each behind the gate, with the record open while it is answered."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import parse_qsl, quote
from zoneinfo import ZoneInfo

from anyio import CapacityLimiter, to_thread
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Mount
from starlette.routing import Route as Address

from loggerd.clock import Clock
from loggerd.errors import LoggerdError, StoreError
from loggerd.model.access import SignedIn
from loggerd.outputs.web.asking import NOT_NOW, Ask, CannotBeUsed, NotThere, Route, TooMuch
from loggerd.outputs.web.carried import Carried
from loggerd.outputs.web.gate import Gate, facts_of
from loggerd.outputs.web.guards import HeaderGuard, OriginGuard
from loggerd.outputs.web.rendering import Rendering
from loggerd.outputs.web.streaming import Stream, Streaming
from loggerd.settings.site import SiteSettings
from loggerd.settings.texts import LANGUAGES, load_texts
from loggerd.store.record import RecordReader
from loggerd.wording.reader import Reader

if TYPE_CHECKING:
    from starlette.types import ASGIApp

_log = logging.getLogger("loggerd")

MOST_BYTES = 65_536
"""Of what is sent with a request."""
BODY_SECONDS = 60.0
"""For all that is sent with a request."""
_MOST_FIELDS = 500
_THREADS = 4
"""Pages made at the same time: each holds the record open, and a small board has few cores."""


class Application:
    """What answers requests: made once, for one site."""

    def __init__(
        self, site: SiteSettings, clock: Clock, gate: Gate, routes: Iterable[Route], streams: Iterable[Stream] = ()
    ) -> None:
        self.site = site
        self.streaming = Streaming(site, clock, gate, streams)
        self._clock = clock
        self._gate = gate
        self._rendering = Rendering()
        self._path = Path(site.record.path)
        self._threads = CapacityLimiter(_THREADS)
        self._routes = tuple(routes)

    def asgi(self) -> ASGIApp:
        """The application as a server wants it."""
        addresses: list[BaseRoute] = [self._address(one) for one in self._routes]
        addresses += self.streaming.addresses()
        addresses.append(Mount("/static", Carried(self._rendering.static)))
        return Starlette(
            routes=addresses,
            middleware=[
                Middleware(HeaderGuard, hosts=self.site.web.hosts, encrypted=self.site.web.encrypted),
                Middleware(OriginGuard),
                Middleware(GZipMiddleware, minimum_size=600, compresslevel=6),
            ],
            exception_handlers={404: self._no_such_page, 405: self._no_such_page},
        )

    def _address(self, route: Route) -> Address:
        async def answer(request: Request) -> Response:
            try:
                async with asyncio.timeout(BODY_SECONDS):
                    body = await _bounded_body(request)
            except CannotBeUsed as refused:
                return _short(route, 413, str(refused))
            except TimeoutError:
                return _short(route, 408, "what was sent did not come to its end")
            except ClientDisconnect:
                return _short(route, 400, "whoever asked has gone")
            return await to_thread.run_sync(self._answer, route, request, body, limiter=self._threads)

        return Address(route.path, answer, methods=[route.method])

    def _answer(self, route: Route, request: Request, body: bytes) -> Response:
        """In a thread: who asks, whether they may, and what the function behind the address says."""
        who = None
        try:
            who = self._gate.recognise(facts_of(request), program=route.program)
            return self._let_in(route, request, body, who)
        except NotThere as missing:
            status, words, later = 404, str(missing), None
        except TooMuch as much:
            status, words, later = 429, str(much), str(much.seconds)
        except StoreError as error:
            _log.warning("a page cannot be shown: %s", error)
            status, words, later = 503, str(error) if who else NOT_NOW, None
        except CannotBeUsed as refused:
            status, words, later = 422 if route.program else 400, str(refused), None
        except LoggerdError as refused:
            _log.warning("what was asked of the pages is not done: %s", refused)
            status, words, later = 422 if route.program else 400, str(refused) if who else NOT_NOW, None
        response = self._fault(route, request, status, words)
        if later is not None:
            response.headers["Retry-After"] = later
        return response

    def _let_in(self, route: Route, request: Request, body: bytes, who: SignedIn | None) -> Response:
        if not route.need.met_by(who.role if who else None):
            return _kept_out(route, request, who)
        if route.without_record:
            return route.handler(self._ask(request, body, who, None))
        record = RecordReader.open(self._path)
        try:
            return route.handler(self._ask(request, body, who, record))
        finally:
            record.close()

    def _ask(self, request: Request, body: bytes, who: SignedIn | None, record: RecordReader | None) -> Ask:
        form = {}
        if request.headers.get("content-type", "").startswith("application/x-www-form-urlencoded"):
            form = _fields(body)
        facts = facts_of(request)
        return Ask(
            self.site,
            record,  # type: ignore[arg-type] # a route without a record must not touch it
            self._clock,
            reader_for(who, self.site),
            self._rendering,
            who,
            dict(request.path_params),
            dict(request.query_params),
            form,
            facts.headers,
            facts.cookies,
            body,
            _place(request),
            facts.address,
        )

    def _fault(self, route: Route, request: Request, status: int, words: str) -> Response:
        if route.program:
            return JSONResponse({"fault": words}, status)
        nobody = self._ask(request, b"", None, None)
        return nobody.page("fault.html", status, fault=words)

    def _no_such_page(self, request: Request, error: Exception) -> Response:
        status = getattr(error, "status_code", 404)
        words = "there is no such page" if status == 404 else "this address does not take that"
        if request.url.path.startswith("/api/"):
            return JSONResponse({"fault": words}, status)
        return self._ask(request, b"", None, None).page("fault.html", status, fault=words)


def reader_for(who: SignedIn | None, site: SiteSettings) -> Reader:
    """The language and units of who reads."""
    language = who.language if who is not None and who.language in LANGUAGES else "en"
    fahrenheit = who is not None and who.fahrenheit
    return Reader(load_texts(language), ZoneInfo(site.site.timezone), fahrenheit=fahrenheit)


async def _bounded_body(request: Request) -> bytes:
    """Raises CannotBeUsed for more than MOST_BYTES."""
    parts, size = [], 0
    async for part in request.stream():
        size += len(part)
        if size > MOST_BYTES:
            raise CannotBeUsed(f"more than {MOST_BYTES} bytes were sent")
        parts.append(part)
    return b"".join(parts)


def _fields(body: bytes) -> dict[str, str]:
    """Raises CannotBeUsed for a form of more fields than any of ours has."""
    try:
        return dict(parse_qsl(body.decode("utf-8", "replace"), keep_blank_values=True, max_num_fields=_MOST_FIELDS))
    except ValueError:
        raise CannotBeUsed(f"the form has more than {_MOST_FIELDS} fields") from None


def _short(route: Route, status: int, words: str) -> Response:
    """Before all has come that was sent: the connection ends with it."""
    ends = {"Connection": "close"}
    if route.program:
        return JSONResponse({"fault": words}, status, ends)
    return Response(words, status, ends, media_type="text/plain")


def _kept_out(route: Route, request: Request, who: SignedIn | None) -> Response:
    """Nobody is signed in, or somebody who may not do this."""
    if route.program:
        if who is None:
            words, marks = "a token is needed", {"WWW-Authenticate": "Bearer"}
            return JSONResponse({"fault": words}, 401, marks)
        return JSONResponse({"fault": "this token may not do that"}, 403)
    if who is not None:
        return Response("Only keepers may do that.", 403, media_type="text/plain")
    if route.method != "GET":
        return RedirectResponse("/sign-in", 303)
    return RedirectResponse(f"/sign-in?next={quote(_place(request), safe='')}", 303)


def _place(request: Request) -> str:
    """The address within the site."""
    return request.url.path + (f"?{request.url.query}" if request.url.query else "")
