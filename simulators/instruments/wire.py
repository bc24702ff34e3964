"""What serves instruments to a client: a TCP server or a serial line."""

from __future__ import annotations

from typing import Any, Protocol

from simulators.instruments.instrument import Instrument
from simulators.truth import Truth


class Readable(Protocol):
    """Where instruments look: the site as it stands now."""

    def truth(self, bank: str) -> Truth:
        """One row: what the bank does at this instant."""
        ...

    async def wait_seconds(self, seconds: float) -> None:
        """Let so many seconds of the site's own time pass."""
        ...


class Wire(Protocol):
    """A wire with one or more instruments on it."""

    @property
    def instruments(self) -> tuple[Instrument, ...]: ...

    async def start(self, site: Readable) -> None:
        """Begin to serve. The addresses are known when this returns."""
        ...

    async def stop(self) -> None:
        """Stop serving and close everything; may be called twice."""
        ...

    @property
    def address(self) -> str:
        """Where to find it, for people. Raises RuntimeError before the start."""
        ...

    def connection(self, instrument: Instrument) -> dict[str, Any]:
        """The `[device.connection]` table of one of its instruments. Raises RuntimeError before the start."""
        ...
