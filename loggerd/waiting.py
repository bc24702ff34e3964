"""What has been read and is not in the record yet: kept in memory, within bounds, while the record takes nothing."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from loggerd.model.scan import ScanBlock
from loggerd.store.record import RecordEvent

MOST_SCANS = 200_000
"""Scans kept while the record takes none; beyond it the oldest are given up, and said so when it is back."""
MOST_EVENTS = 5_000
"""Likewise events: instruments that come and go for days must not fill the memory."""


@dataclass(frozen=True)
class Lost:
    """Readings of one device that had to be given up."""

    scans: int
    first_mono_ms: int
    last_mono_ms: int

    def text(self) -> str:
        seconds = (self.last_mono_ms - self.first_mono_ms) / 1000
        return f"{self.scans} readings from {seconds:.0f} s could not be stored and were given up"


@dataclass(frozen=True)
class NotStored:
    """Since when (monotonic ms) the record has taken nothing, and why."""

    since_mono_ms: int
    reason: str


class Waiting:
    """Readings and events of one session, oldest first."""

    def __init__(self) -> None:
        self.readings: list[ScanBlock] = []
        self.events: list[RecordEvent] = []
        self.lost: dict[str, Lost] = {}
        self.lost_events = 0

    @property
    def scans(self) -> int:
        return sum(map(len, self.readings))

    @property
    def until_mono_ms(self) -> int:
        """Time of the last reading. There must be one."""
        return max(int(block.mono_ms[-1]) for block in self.readings)

    def add(self, readings: Collection[ScanBlock], events: Collection[RecordEvent]) -> None:
        self.readings.extend(readings)
        self.events.extend(events)

    def give_up_oldest(self) -> None:
        """Keep within the bounds."""
        over = self.scans - MOST_SCANS
        while over > 0:
            block = self.readings.pop(0)
            part = min(over, len(block))
            self._note_lost(block.slice(0, part))
            if part < len(block):
                self.readings.insert(0, block.slice(part, len(block)))
            over -= part
        extra = max(len(self.events) - MOST_EVENTS, 0)
        del self.events[:extra]
        self.lost_events += extra

    def _note_lost(self, block: ScanBlock) -> None:
        before = self.lost.get(block.device)
        first, last = int(block.mono_ms[0]), int(block.mono_ms[-1])
        if before is None:
            self.lost[block.device] = Lost(len(block), first, last)
        else:
            self.lost[block.device] = Lost(before.scans + len(block), before.first_mono_ms, last)

    def drop_stored(self, last_mono_ms: int | None, events: Collection[RecordEvent]) -> None:
        """Leave out what turned out to be in the record: readings up to a time, and these events."""
        if last_mono_ms is not None:
            kept = [_after(block, last_mono_ms) for block in self.readings]
            self.readings = [block for block in kept if len(block)]
        self.events = [event for event in self.events if event not in events]


def _after(block: ScanBlock, mono_ms: int) -> ScanBlock:
    start = int(block.mono_ms.searchsorted(mono_ms, side="right"))
    return block.slice(start, len(block))
