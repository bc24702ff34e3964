"""A clock that stands still while nobody sleeps: schedules are tested without waiting and without chance."""

from __future__ import annotations

import asyncio

from loggerd.model.scan import ClockState


class VirtualClock:
    """Time goes on only by sleeping on this clock, or by `spend`."""

    def __init__(self, mono_ms: int = 1_000) -> None:
        self._mono_ms = mono_ms

    def mono_ms(self) -> int:
        return self._mono_ms

    def wall_ms(self) -> int:
        return 1_700_000_000_000 + self._mono_ms

    def state(self) -> ClockState:
        return ClockState.SET

    async def sleep_until(self, mono_ms: int) -> None:
        self._mono_ms = max(self._mono_ms, mono_ms)
        await asyncio.sleep(0)

    async def spend(self, milliseconds: int) -> None:
        """Something takes that long."""
        await self.sleep_until(self._mono_ms + milliseconds)
