"""Time for the shell: a clock that is handed in, so that service and simulators can share an accelerated one.

Nothing in model, decoding or analysis imports this: there, time comes in on the readings.
"""

from __future__ import annotations

import asyncio
import ctypes
import time
from typing import Protocol

from loggerd.model.scan import ClockState

_TIME_ERROR = 5  # adjtimex(2): the clock is not synchronised


class Clock(Protocol):
    """Monotonic and wall time in milliseconds, and a sleep on the monotonic one."""

    def mono_ms(self) -> int:
        """Milliseconds of a clock that never steps; only differences mean anything."""
        ...

    def wall_ms(self) -> int:
        """Epoch milliseconds, which may be wrong: see `state`."""
        ...

    def state(self) -> ClockState:
        """Whether the system says that its wall clock is set."""
        ...

    async def sleep_until(self, mono_ms: int) -> None:
        """Return when `mono_ms()` has reached the given value, give or take a millisecond (at once if it has)."""
        ...


class SystemClock:
    """The machine's own clocks.

    CLOCK_BOOTTIME is used because it goes on counting while the board sleeps. "Not set" is what the kernel says
    (adjtimex), not a guess from the year: a board without a clock chip starts at a plausible date.
    """

    def mono_ms(self) -> int:
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000

    def wall_ms(self) -> int:
        return time.time_ns() // 1_000_000

    def state(self) -> ClockState:
        return ClockState.NOT_SET if _adjtimex_state() == _TIME_ERROR else ClockState.SET

    async def sleep_until(self, mono_ms: int) -> None:
        if (left := mono_ms - self.mono_ms()) > 0:
            await asyncio.sleep(left / 1000)


class AcceleratedClock:
    """Runs `speed` times as fast as the machine's monotonic clock, from a chosen instant on. Always "set"."""

    def __init__(self, start_wall_ms: int, speed: float, start_mono_ms: int = 0) -> None:
        self.speed = speed
        self._start_wall_ms = start_wall_ms
        self._start_mono_ms = start_mono_ms
        self._started = time.monotonic()

    def _elapsed_ms(self) -> int:
        return int((time.monotonic() - self._started) * 1000 * self.speed)

    def mono_ms(self) -> int:
        return self._start_mono_ms + self._elapsed_ms()

    def wall_ms(self) -> int:
        return self._start_wall_ms + self._elapsed_ms()

    def state(self) -> ClockState:
        return ClockState.SET

    async def sleep_until(self, mono_ms: int) -> None:
        if (left := mono_ms - self.mono_ms()) > 0:
            await asyncio.sleep(left / 1000 / self.speed)


class _Timex(ctypes.Structure):
    # struct timex with modes = 0 only reads; the tail is generous so that every architecture's struct fits.
    _fields_ = (("modes", ctypes.c_uint), ("rest", ctypes.c_byte * 508))


def _adjtimex_state() -> int:
    libc = ctypes.CDLL(None, use_errno=True)
    return int(libc.adjtimex(ctypes.byref(_Timex())))
