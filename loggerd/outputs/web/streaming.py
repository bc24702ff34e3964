"""Server-sent events: an answer that goes on, behind the same gate as the pages."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncGenerator, Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import TypeAlias

from anyio import CancelScope, to_thread
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route as Address
from starlette.types import Message, Receive, Scope, Send

from loggerd.clock import Clock
from loggerd.errors import StoreError
from loggerd.model.access import Need, SignedIn
from loggerd.outputs.web.asking import NOT_NOW, TooMuch
from loggerd.outputs.web.gate import Gate, facts_of
from loggerd.settings.site import SiteSettings

_log = logging.getLogger("loggerd")

MOST_STREAMS = 20
"""Open at a time: more would be something else than keepers looking."""
MOST_OF_ONE = 8
"""Of one person; one more ends the oldest, which may be of a telephone that has lost its network."""
SLOWEST_SECONDS = 60.0
"""Whoever has not taken an event after that long is let go; the script comes back by itself."""


@dataclass(frozen=True)
class StreamAsk:
    """What a stream is asked for. It ends as soon as `stopping` is set."""

    site: SiteSettings
    clock: Clock
    who: SignedIn | None
    path: Mapping[str, str]
    query: Mapping[str, str]
    stopping: asyncio.Event
    again: Callable[[], bool] = field(default=lambda: True)
    """Whether whoever listens is still signed in; to be asked in a thread, now and then."""


Events: TypeAlias = Callable[[StreamAsk], AsyncGenerator[str, None]]
"""Gives the text of one event after another, each whole with its empty line at the end."""


@dataclass(frozen=True)
class Stream:
    """One address of events."""

    path: str
    events: Events
    need: Need


@dataclass(frozen=True, eq=False)
class _Place:
    """One that is open, and how to end it."""

    name: str
    scope: CancelScope = field(default_factory=CancelScope)


class Streaming:
    """All streams of an application."""

    def __init__(self, site: SiteSettings, clock: Clock, gate: Gate, streams: Iterable[Stream]) -> None:
        self._site, self._clock, self._gate = site, clock, gate
        self._streams = tuple(streams)
        self._stopping = asyncio.Event()
        self._places: list[_Place] = []

    @property
    def open(self) -> int:
        """How many are open."""
        return len(self._places)

    def stop(self) -> None:
        """End every stream: a server that stops must not wait for who listens."""
        self._stopping.set()

    def addresses(self) -> list[Address]:
        return [self._address(one) for one in self._streams]

    def _address(self, stream: Stream) -> Address:
        async def answer(request: Request) -> Response:
            facts = facts_of(request)

            def known() -> SignedIn | None:
                return self._gate.recognise(facts, program=False)

            def again() -> bool:
                try:
                    one = known()
                except StoreError:
                    return False
                return stream.need.met_by(one.role if one else None)

            try:
                who = await to_thread.run_sync(known)
            except TooMuch as much:
                return Response(str(much), 429, media_type="text/plain")
            except StoreError as error:
                _log.warning("it cannot be seen who wants to watch: %s", error)
                return Response(NOT_NOW, 503, media_type="text/plain")
            if not stream.need.met_by(who.role if who else None):
                return Response("sign in first", 401, media_type="text/plain")
            place = self._take_place(who)
            if place is None:
                return Response("too many pages are being watched", 503, media_type="text/plain")
            ask = StreamAsk(
                self._site, self._clock, who, request.path_params, request.query_params, self._stopping, again
            )
            return _Patient(stream.events(ask), self._places, place)

        return Address(stream.path, answer, methods=["GET"])

    def _take_place(self, who: SignedIn | None) -> _Place | None:
        """None where there is no more room."""
        place = _Place(who.name if who is not None else "")
        own = [one for one in self._places if one.name == place.name]
        if len(own) >= MOST_OF_ONE:
            own[0].scope.cancel()
            self._places.remove(own[0])
        elif len(self._places) >= MOST_STREAMS:
            return None
        self._places.append(place)
        return place


class _Patient(StreamingResponse):
    """Waits for a slow listener, but not for ever: a stream that is not read must not keep its place."""

    def __init__(self, events: AsyncGenerator[str, None], places: list[_Place], place: _Place) -> None:
        super().__init__(events, media_type="text/event-stream", headers={"X-Accel-Buffering": "no"})
        self._events, self._places, self._place = events, places, place

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await super().__call__(scope, receive, send)
        finally:
            if self._place in self._places:
                self._places.remove(self._place)

    async def stream_response(self, send: Send) -> None:
        async def within_time(message: Message) -> None:
            async with asyncio.timeout(SLOWEST_SECONDS):
                await send(message)

        try:
            await within_time({"type": "http.response.start", "status": self.status_code, "headers": self.raw_headers})
            with self._place.scope:
                async for one in self._events:
                    await within_time({"type": "http.response.body", "body": one.encode(), "more_body": True})
            await within_time({"type": "http.response.body", "body": b""})
        except TimeoutError:
            _log.info("somebody who watches a bank takes nothing any more, and is let go")
        finally:
            await self._events.aclose()
