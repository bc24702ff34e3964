"""Keeps rows in the order of the file: a row whose time repeats or runs backward stays where it stands, a
millisecond after the row before it, with its own time beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from loggerd.decoding.csv_cells import Flags
from loggerd.model.scan import Integers

_LISTED_LINES = 20
_LONG_AGO = -(2**62)
_FINE_MS = 10_000
_COARSE_STEPS = 86_400
"""Intervals are counted to the millisecond below 10 s, then to the second up to a day."""


class TimeOrder:
    """Orders blocks of rows; one row is held back, since only the next one shows whether its time can be
    right.

    A single time that is ahead of the row after it, while that one follows the rows before, is taken for
    the wrong one: else one damaged date in the future would cost all the rows that come after it.
    """

    def __init__(self, columns: int) -> None:
        self.repeated = 0
        self.backward = 0
        self.repeated_lines: list[int] = []
        self.backward_lines: list[int] = []
        self.kept = 0
        self.first_ms: int | None = None
        self._last_ms = _LONG_AGO
        self._last_order = _LONG_AGO
        empty = np.zeros(0, np.int64)
        self._held: tuple[Integers, list[Integers], Integers] = (empty, [empty] * columns, empty)
        self._intervals = np.zeros(_FINE_MS + _COARSE_STEPS, np.int64)

    @property
    def last_ms(self) -> int | None:
        return self._last_ms if self.kept else None

    def push(
        self, times: Integers, counts: Sequence[Integers], lines: Integers
    ) -> tuple[Integers, Integers, tuple[Integers, ...]]:
        """Order and time of all rows so far but the last, and their counts; `lines` are their line numbers.

        The order is the time, except where that does not rise: there it is a millisecond after the row before.
        """
        held_times, held_counts, held_lines = self._held
        times = np.concatenate((held_times, times))
        lines = np.concatenate((held_lines, lines))
        counts = [np.concatenate(both) for both in zip(held_counts, counts, strict=True)]
        self._held = (times[-1:], [column[-1:] for column in counts], lines[-1:])
        order = self._sort_out(times, lines)
        return order, times[:-1], tuple(column[:-1] for column in counts)

    def finish(self) -> tuple[Integers, Integers, tuple[Integers, ...]]:
        """The row that was held back."""
        times, counts, lines = self._held
        order = self._sort_out(np.append(times, times[-1:] + 1), lines) if len(times) else times
        return order, times, tuple(counts)

    def median_interval_ms(self) -> int | None:
        """Median of the differences between kept rows; None with fewer than two."""
        total = int(self._intervals.sum())
        if not total:
            return None
        place = int(np.searchsorted(np.cumsum(self._intervals), (total + 1) // 2))
        return place if place < _FINE_MS else _FINE_MS + (place - _FINE_MS) * 1000

    def _sort_out(self, times: Integers, lines: Integers) -> Integers:
        """The order of the rows but the last; counts those whose time does not rise."""
        if len(times) < 2:
            return times[:0]
        rows = times[:-1]
        in_order = np.ones(len(rows), np.bool_)
        order = rows
        if times[0] <= max(self._last_ms, self._last_order) or not (times[1:] > rows).all():
            order, repeated = self._one_by_one(times.tolist(), in_order)
            self._count(lines, repeated, ~in_order & ~repeated)
        self._last_order = int(order[-1])
        self._note(rows[in_order])
        return order

    def _one_by_one(self, times: list[int], in_order: Flags) -> tuple[Integers, Flags]:
        """Clear `in_order` where a row's time is not after those before it.

        Returns the order of the rows, and which of them are repeated.
        """
        repeated = np.zeros(len(in_order), np.bool_)
        order = np.zeros(len(in_order), np.int64)
        last, placed = self._last_ms, self._last_order
        for row, (time, after) in enumerate(pairwise(times)):
            if time <= last:
                in_order[row] = False
                repeated[row] = time == last
            elif last < after < time:
                in_order[row] = False
            else:
                last = time
            placed = max(time, placed + 1) if in_order[row] else placed + 1
            order[row] = placed
        return order, repeated

    def _count(self, lines: Integers, repeated: Flags, backward: Flags) -> None:
        self.repeated += int(np.count_nonzero(repeated))
        self.backward += int(np.count_nonzero(backward))
        for listed, flags in ((self.repeated_lines, repeated), (self.backward_lines, backward)):
            listed.extend(int(lines[row]) for row in np.flatnonzero(flags)[: _LISTED_LINES - len(listed)])

    def _note(self, kept: Integers) -> None:
        if not len(kept):
            return
        steps = np.diff(kept, prepend=kept[0] if self.first_ms is None else self._last_ms)
        if self.first_ms is None:
            self.first_ms = int(kept[0])
            steps = steps[1:]
        coarse = _FINE_MS + (steps - _FINE_MS) // 1000
        places = np.where(steps < _FINE_MS, steps, np.minimum(coarse, len(self._intervals) - 1))
        self._intervals += np.bincount(places, minlength=len(self._intervals))
        self.kept += len(kept)
        self._last_ms = int(kept[-1])
