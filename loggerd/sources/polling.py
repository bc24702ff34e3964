"""Reads the devices of one line in turn, each on a time grid of its own that never drifts.

Each device is due at start, start + period, start + 2 periods ... of the monotonic clock, for ever, whatever
happens in between. Of the devices that are due, the line takes the one read longest ago. If it was due more
than once meanwhile, it is read once; the others are counted as missed, never made up for. A device that fails
is left alone for a while (BackOff) and comes back on its own grid. When the port or host itself is not there,
all devices of the line wait for it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from loggerd.clock import Clock
from loggerd.errors import Absent, Garbled, InstrumentError, Refused, Silent
from loggerd.model.scan import Scan
from loggerd.sources.back_off import BackOff
from loggerd.sources.base import DeviceEvent, DeviceHealth, Sink

LOST_AFTER = 3
"""Failures in a row after which a device counts as lost. One alone is everyday noise."""
_ABSENT_WAIT_MS = (1_000, 2_000, 5_000, 10_000)
"""Before a port or host that is not there is looked for again; the last step stays."""


@dataclass(frozen=True)
class Reading:
    """What one reading of a device gave: its counts, and what it refused of what was asked (empty if
    nothing).
    """

    counts: tuple[int, ...]
    refused: str = ""


class Reader(Protocol):
    """Reads one device of a line at a time."""

    async def read(self, device: str) -> Reading:
        """Raises InstrumentError."""
        ...

    async def settle(self) -> None:
        """After a failure: wait until the line can be used again."""
        ...

    async def close(self) -> None: ...


@dataclass
class _Turn:
    """One device's place in the schedule."""

    device: str
    period_ms: int
    health: DeviceHealth
    due_ms: int = 0
    read_ms: int = -1
    back_off: BackOff = field(default_factory=BackOff)
    failures: int = 0
    """In a row, those included that were not the device's own fault."""
    is_lost: bool = False
    told_refused: bool = False

    def start(self, now_ms: int) -> None:
        """Take the newest instant of the grid that has come; older ones that were not read count as missed."""
        self._skip(max(0, now_ms - self.due_ms) // self.period_ms)
        self.due_ms += self.period_ms
        self.read_ms = now_ms

    def leave_alone_until(self, ready_ms: int) -> None:
        """Skip the instants of the grid before `ready_ms`."""
        self.health.back_off_until_ms = ready_ms
        self._skip(max(0, -((self.due_ms - ready_ms) // self.period_ms)))

    def _skip(self, instants: int) -> None:
        self.due_ms += instants * self.period_ms
        self.health.missed += instants


class PollingLine:
    """The schedule of one line; a `sources.base.Line`."""

    def __init__(self, clock: Clock, periods_ms: Mapping[str, int], reader: Reader) -> None:
        """`periods_ms` maps the names of the devices to milliseconds between their readings, above 0."""
        self._clock = clock
        self._reader = reader
        self._turns = {
            device: _Turn(device, period_ms, DeviceHealth(device)) for device, period_ms in periods_ms.items()
        }
        self._absent_in_a_row = 0
        self._lock = asyncio.Lock()

    @property
    def devices(self) -> tuple[str, ...]:
        return tuple(self._turns)

    @property
    def health(self) -> dict[str, DeviceHealth]:
        return {device: turn.health for device, turn in self._turns.items()}

    async def run(self, sink: Sink) -> None:
        """Read for ever, each device at its own rate without drift, until cancelled; then close the port."""
        start_ms = self._clock.mono_ms()
        for turn in self._turns.values():
            turn.due_ms = start_ms
        try:
            while True:
                await self._clock.sleep_until(min(turn.due_ms for turn in self._turns.values()))
                turn = self._next_turn(self._clock.mono_ms())
                turn.start(self._clock.mono_ms())
                await self._take(turn, sink)
        finally:
            await self.close()

    async def read_once(self, device: str) -> Scan:
        """Read one device now. Raises InstrumentError, and KeyError for a device that is not on this line."""
        turn = self._turns[device]
        async with self._lock:
            reading = await self._read(turn)
        return Scan(device, reading.counts)

    async def close(self) -> None:
        await self._reader.close()

    def _next_turn(self, now_ms: int) -> _Turn:
        """Of the devices that are due, the one read longest ago: an overloaded line is shared evenly."""
        due = [turn for turn in self._turns.values() if turn.due_ms <= now_ms]
        return min(due, key=lambda turn: turn.read_ms)

    async def _read(self, turn: _Turn) -> Reading:
        """Read and count. Raises InstrumentError."""
        turn.health.polls += 1
        try:
            reading = await self._reader.read(turn.device)
        except InstrumentError as error:
            _count(turn.health, error)
            raise
        turn.health.scans += 1
        if reading.refused:
            _count(turn.health, Refused(turn.device, reading.refused))
        return reading

    async def _take(self, turn: _Turn, sink: Sink) -> None:
        began_ms = self._clock.mono_ms()
        async with self._lock:
            try:
                reading = await self._read(turn)
            except Absent as error:
                self._all_failed(error, sink)
            except InstrumentError as error:
                await self._reader.settle()
                self._one_failed(turn, self._clock.mono_ms() - began_ms, error, sink)
            else:
                self._worked(turn, reading, sink)

    def _worked(self, turn: _Turn, reading: Reading, sink: Sink) -> None:
        self._absent_in_a_row = 0
        turn.failures = 0
        turn.back_off.succeeded()
        turn.health.back_off_until_ms = None
        if turn.is_lost:
            turn.is_lost = False
            sink.event(DeviceEvent(turn.device, "back", "it answers again"))
        if reading.refused and not turn.told_refused:
            sink.event(DeviceEvent(turn.device, "refused", reading.refused))
        turn.told_refused = bool(reading.refused)
        sink.scan(Scan(turn.device, reading.counts))

    def _one_failed(self, turn: _Turn, cost_ms: int, error: InstrumentError, sink: Sink) -> None:
        self._absent_in_a_row = 0
        others_answer = any(
            other is not turn and other.health.scans > 0 and other.failures == 0 for other in self._turns.values()
        )
        turn.leave_alone_until(turn.back_off.failed(self._clock.mono_ms(), cost_ms, others_answer))
        _note_failure(turn, error, sink)

    def _all_failed(self, error: Absent, sink: Sink) -> None:
        """The port or host is not there: no device's fault, so no device's back-off."""
        wait_ms = _ABSENT_WAIT_MS[min(self._absent_in_a_row, len(_ABSENT_WAIT_MS) - 1)]
        self._absent_in_a_row += 1
        ready_ms = self._clock.mono_ms() + wait_ms
        for turn in self._turns.values():
            turn.leave_alone_until(ready_ms)
            _note_failure(turn, error, sink)


def _note_failure(turn: _Turn, error: InstrumentError, sink: Sink) -> None:
    turn.failures += 1
    if turn.is_lost or turn.failures < LOST_AFTER:
        return
    turn.is_lost = True
    kind = "garbled" if isinstance(error, Garbled) else "refused" if isinstance(error, Refused) else "lost"
    sink.event(DeviceEvent(turn.device, kind, error.what))


def _count(health: DeviceHealth, error: InstrumentError) -> None:
    match error:
        case Silent():
            health.silent += 1
        case Garbled():
            health.garbled += 1
        case Refused():
            health.refused += 1
        case Absent():
            health.absent += 1
    kind = type(error).__name__
    health.errors_by_kind[kind] = health.errors_by_kind.get(kind, 0) + 1
    health.last_error = error.what
