"""What every source is: something that reads the devices of one line and hands on their scans."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

from loggerd.model.scan import Scan


@dataclass
class DeviceHealth:
    """Running counts of one device, for `probe`, logs and health pages. Changed only by its source."""

    device: str
    polls: int = 0
    scans: int = 0
    silent: int = 0
    garbled: int = 0
    refused: int = 0
    absent: int = 0
    missed: int = 0
    """Polls that were due and not made, because the line was busy or the device was backed off."""
    last_error: str = ""
    back_off_until_ms: int | None = None
    errors_by_kind: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class DeviceEvent:
    """A change that a keeper may want to know: a device fell silent, came back, or sent nonsense."""

    device: str
    kind: str
    """`lost`, `back`, `garbled`, `refused`."""
    text: str


@dataclass(frozen=True)
class Sink:
    """Where a line hands on what it has read; both calls return at once and never raise."""

    scan: Callable[[Scan], None]
    event: Callable[[DeviceEvent], None]


class Line(Protocol):
    """One wire (an RS-485 line, a TCP connection, a serial port) with one or more devices read in turn.

    A line never raises for what instruments do: it counts, reports an event, backs off and goes on.
    """

    @property
    def devices(self) -> tuple[str, ...]: ...

    @property
    def health(self) -> dict[str, DeviceHealth]: ...

    async def run(self, sink: Sink) -> None:
        """Read for ever, each device at its own rate without drift, until cancelled. Closes its port on the way out."""
        ...

    async def read_once(self, device: str) -> Scan:
        """Read one scan of one device now (`probe`). Raises InstrumentError."""
        ...

    async def close(self) -> None:
        """Close the port (after read_once)."""
        ...
