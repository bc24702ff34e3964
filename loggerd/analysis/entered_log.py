"""The log book of a bank as its fold reads it: which entries are known when a frame closes.

An entry counts from where it was taken in: a place in the order of the readings. So the same record tells each entry
at the same frame, whatever the pieces and wherever a restart fell; an entry is never handed back in time.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from loggerd.model.log_book import LogEntry

END_OF_RECORD = 2**62
"""Order of a session after all others."""


@dataclass(frozen=True)
class Entered:
    """An entry with the place of its session in fold order; `entry.entered` is on the axis of that session."""

    order: int
    entry: LogEntry

    @property
    def place(self) -> tuple[int, int]:
        return self.order, self.entry.entered.at_ms


class EnteredLog:
    """Entries in the order of their places; grows at its end only. A fold remembers how many it has read."""

    def __init__(self, entered: Iterable[Entered] = ()) -> None:
        """Of entries of the same place, those that come first were taken in first."""
        self._entered = sorted(entered, key=lambda one: one.place)

    def __len__(self) -> int:
        return len(self._entered)

    def add(self, entered: Iterable[Entered]) -> None:
        """Entries taken in now. Raises ValueError for one that lies before what is there."""
        for one in entered:
            if self._entered and one.place < self._entered[-1].place:
                raise ValueError(f"entry {one.entry.uid} lies before one that was taken in earlier")
            self._entered.append(one)

    def next(self, read: int, order: int, before_ms: int) -> tuple[LogEntry, ...]:
        """Entries after the first `read` ones: of sessions before that of `order`, and of that one before an instant.

        `before_ms` is on the axis of that session.
        """
        if read == len(self._entered):
            return ()
        stop = read
        while stop < len(self._entered) and self._entered[stop].place < (order, before_ms):
            stop += 1
        return tuple(one.entry for one in self._entered[read:stop])
