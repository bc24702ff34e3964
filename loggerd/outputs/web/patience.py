"""How long the pages wait for whoever is slow: there is room for few at a time, and nobody may take it and do nothing.

uvicorn waits without end for the head of a request, and for whoever does not take what was asked for.
"""

from __future__ import annotations

import asyncio

from uvicorn.protocols.http.h11_impl import H11Protocol

REQUEST_SECONDS = 30.0
"""From the beginning of a connection, or from the answer before, until the head of a request is whole."""
STUCK_SECONDS = 60.0
"""Whoever has taken less than LEAST_BYTES of an answer in that time is let go: half a kilobit a second."""
LEAST_BYTES = 4096
MOST_OF_ONE = 40
"""Connections from one address: a browser opens six, and people may share an address."""
LOOK_SECONDS = 5.0
PROXIES = ("127.0.0.1", "::1")
"""A proxy on this machine: it speaks for all, and is not counted."""


class PatientProtocol(H11Protocol):
    """uvicorn's protocol, with an end to waiting. One for each connection."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._waits_since = self._moved_at = self.loop.time()
        self._left = 0
        self._looking: asyncio.TimerHandle | None = None
        if self._is_one_too_many():
            transport.abort()
        else:
            self._look()

    def connection_lost(self, exc: Exception | None) -> None:
        if self._looking is not None:
            self._looking.cancel()
        super().connection_lost(exc)

    def on_response_complete(self) -> None:
        self._waits_since = self.loop.time()
        super().on_response_complete()

    def pause_writing(self) -> None:
        self._moves()
        super().pause_writing()

    def resume_writing(self) -> None:
        self._moves()
        super().resume_writing()

    def _is_one_too_many(self) -> bool:
        if self.client is None or self.client[0] in PROXIES:
            return False
        others = [one.client for one in self.connections if isinstance(one, PatientProtocol)]
        return sum(1 for one in others if one is not None and one[0] == self.client[0]) > MOST_OF_ONE

    def _moves(self, left: int = 0) -> None:
        self._moved_at, self._left = self.loop.time(), left

    def _look(self) -> None:
        """Now and then: whether anything goes on."""
        left = self.transport.get_write_buffer_size()
        if left == 0 or self._left == 0 or left <= self._left - LEAST_BYTES:
            self._moves(left)
        now, waits = self.loop.time(), self.cycle is None or self.cycle.response_complete
        late = waits and left == 0 and now - self._waits_since >= REQUEST_SECONDS
        if late or now - self._moved_at >= STUCK_SECONDS:
            self.transport.abort()
        else:
            self._looking = self.loop.call_later(LOOK_SECONDS, self._look)
