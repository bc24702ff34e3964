"""How long the pages wait for whoever is slow: there is room for few at a time, and nobody may take it and do nothing.

uvicorn waits without end for the head of a request, and for whoever does not take what was asked for.
"""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

REQUEST_SECONDS = 30.0
"""From the beginning of a connection, or the answer before, until the head of a request is whole."""
STUCK_SECONDS = 60.0
"""Whoever has taken less than LEAST_BYTES of an answer in that time is let go: half a kilobit a second."""
LEAST_BYTES = 4096
MOST_OF_ONE = 40
"""Connections from one address: a browser opens six, and some people share an address. A proxy is not counted."""
_LOOK_SECONDS = 5.0
_PROXIES = frozenset({"127.0.0.1", "::1"})


class PatientProtocol(H11Protocol):
    """uvicorn's protocol, with an end to waiting. One for each connection."""

    look_seconds = _LOOK_SECONDS
    request_seconds = REQUEST_SECONDS
    stuck_seconds = STUCK_SECONDS

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._waits_since = self._moved_at = self.loop.time()
        self._left = 0
        self._looking: asyncio.TimerHandle | None = None
        host = self.client[0] if self.client else ""
        same = sum(1 for one in self.connections if one.client is not None and one.client[0] == host)
        if same > MOST_OF_ONE and host not in _PROXIES:
            transport.abort()
            return
        self._look()

    def connection_lost(self, exc: Exception | None) -> None:
        if self._looking is not None:
            self._looking.cancel()
        super().connection_lost(exc)

    def on_response_complete(self) -> None:
        self._waits_since = self.loop.time()
        super().on_response_complete()

    def pause_writing(self) -> None:
        self._moved_at = self.loop.time()
        super().pause_writing()

    def resume_writing(self) -> None:
        self._moved_at = self.loop.time()
        super().resume_writing()

    def _look(self) -> None:
        """Now and then: whether anything goes on."""
        now = self.loop.time()
        left = self.transport.get_write_buffer_size()
        if left == 0 or left <= self._left - LEAST_BYTES or self._left == 0:
            self._moved_at, self._left = now, left
        waits = self.cycle is None or self.cycle.response_complete
        late = waits and left == 0 and now - self._waits_since > self.request_seconds
        if late or now - self._moved_at > self.stuck_seconds:
            self.transport.abort()
        else:
            self._looking = self.loop.call_later(self.look_seconds, self._look)


def protocol(**values: Any) -> type[PatientProtocol]:
    """Another patience: of a test."""
    return type("Hasty", (PatientProtocol,), values)
