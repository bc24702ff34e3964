"""Ohms of a cell day by day, from what its voltage does when the current changes, to see when they jump.

Plates, acid and warmth change them by some per cent in a week (common practice, no source); an instrument that is
set otherwise changes them at once, and for good.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from math import sqrt
from typing import Any

from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.frames import DAY_MS, FRAME_MS

_FRAMES_PER_DAY = DAY_MS // FRAME_MS
_LEAST_CHANGES = 6.0
_ALIKE = 0.85
KEPT_DAYS = 75
_STAYS_DAYS = 365
"""By then a season, or other blocks, may have brought the ohms to where they are."""
_AFTER, _BEFORE, _LEAST_BEFORE = 3, 9, 5
"""Days after a jump, and before it: at the most, and at the least."""
_AFTER_SPAN, _BEFORE_SPAN, _HOLE = 7, 20, 7
"""Calendar days within which those days lie; a longer hole than the last is a season, and no day to the next."""
_FELL = 0.8
"""Own choice, no source: shunts of other ratings make two thirds or less of it; no bank loses a fifth in three days."""
_ROSE = 1.3
"""Own choice, no source: cold and a worse link take weeks for it, or do not move the median of the blocks."""
_LOWEST_SHARE, _BELOW, _LEAST_EVER = 0.1, 0.76, 12
"""And clearly below the lowest tenth of all days: single days read far too high where little changes. What a shunt of
another rating leaves (50 for 75 mV: two thirds) is below that tenth by nearly as much as below the middle."""
_SUNK_DAYS, _SUNK_BEFORE, _SUNK_SPAN, _SUNK_STEP, _BEFORE_STEP = 10, 20, 16, 0.85, 5
"""Own choice: where single days scatter, ten days within sixteen must lie below the lowest of twenty and more, and a
step below the last five of them: what creeps makes none."""
_BACK = 0.9
"""Ohms that are above this share again of what they had fallen from have come back."""


@dataclass
class DayOhms:
    """`sums`: of the changes of one day: how many, their squares, their products; `days`: number and ohms of the last
    days that told any; `fell`: day, ohms before and share of that after, of a fall that still stands; `rose`: the same
    of a rise; `stays`: a fall of longer ago that has not come back."""

    day: int = 0
    sums: list[float] = field(default_factory=lambda: [0.0] * 4)
    days: list[list[float]] = field(default_factory=list)
    fell: list[float] = field(default_factory=list)
    rose: list[float] = field(default_factory=list)
    stays: list[float] = field(default_factory=list)

    def add(self, number: int, volts: float, rate: float) -> None:
        """Take a change of voltage and current between two frames."""
        if number // _FRAMES_PER_DAY != self.day:
            self._close()
            self.day = number // _FRAMES_PER_DAY
        count, volts2, rate2, both = self.sums
        self.sums = [count + 1.0, volts2 + volts * volts, rate2 + rate * rate, both + volts * rate]

    def latest(self, count: int) -> list[float]:
        """Ohms of the last days on which they could be read."""
        return [one[1] for one in self.days[-count:]]

    def _close(self) -> None:
        count, volts2, rate2, both = self.sums
        self.sums = [0.0] * 4
        self._expire()
        if count < _LEAST_CHANGES or rate2 <= 0 or both < _ALIKE * sqrt(volts2 * rate2):
            return
        # Neither the noise of the one nor that of the other draws this to its side.
        self.days.append([self.day, sqrt(volts2 / rate2)])
        del self.days[:-KEPT_DAYS]
        now = median(self.latest(_AFTER))
        # Single days read far too high where little changes, and none too low.
        back = min(self.latest(_AFTER + 1))
        if self.fell and back > _BACK * self.fell[1]:
            self.fell = []
        if self.stays and back > _BACK * self.stays[1]:
            self.stays = []
        if self.rose and now < self.rose[1] / _BACK:
            self.rose = []
        if not self.fell and not self.rose:
            self._look()

    def _expire(self) -> None:
        """What is longer ago than the days that are kept says nothing of today's wiring."""
        if self.fell and self.day - self.fell[0] > KEPT_DAYS:
            self.fell, self.stays = [], self.fell
        if self.stays and self.day - self.stays[0] > _STAYS_DAYS:
            self.stays = []
        if self.rose and self.day - self.rose[0] > KEPT_DAYS:
            self.rose = []

    def _before(self) -> list[float]:
        """Ohms of the days that the last ones can be held against: near by the calendar, with no long hole."""
        if len(self.days) <= _AFTER or self.days[-1][0] - self.days[-_AFTER - 1][0] > _AFTER_SPAN:
            return []
        later = self.days[-_AFTER][0]
        first, before = later - _BEFORE_SPAN, []
        for day, ohms in reversed(self.days[-_AFTER - _BEFORE : -_AFTER]):
            if day < first or later - day > _HOLE:
                break
            before.append(ohms)
            later = day
        return before

    def _look(self) -> None:
        values = [one[1] for one in self.days]
        before, after = self._before(), values[-_AFTER:]
        if len(before) < _LEAST_BEFORE:
            return
        old, new = median(before), median(after)
        # Lower than it ever was: a string that had been off and is back again lowers the ohms at once, too.
        ever = sorted(values[:-_AFTER])
        lowest = ever[int(_LOWEST_SHARE * len(ever))]
        if len(ever) >= _LEAST_EVER and new < min(_FELL * old, _BELOW * lowest):
            # Of the three days the first may still be one of those before.
            day = next(day for day, ohms in self.days[-_AFTER:] if ohms <= sqrt(old * new))
            self.fell = [day, old, new / old]
        elif self._has_sunk(values):
            sunk = self.days[-_SUNK_DAYS:]
            usual = median(values[:-_SUNK_DAYS])
            self.fell = [sunk[0][0], usual, median([one[1] for one in sunk]) / usual]
        elif min(after) > _ROSE * old:
            self.rose = [self.days[-_AFTER][0], old, new / old]

    def _has_sunk(self, values: list[float]) -> bool:
        """Whether the last days, all but one, lie below what all but the lowest tenth of those before showed."""
        later, before = sorted(values[-_SUNK_DAYS:]), values[:-_SUNK_DAYS]
        if len(before) < _SUNK_BEFORE or self.days[-1][0] - self.days[-_SUNK_DAYS][0] > _SUNK_SPAN:
            return False
        near = [one[0] for one in self.days[-_SUNK_DAYS - _SUNK_BEFORE : 1 - _SUNK_DAYS]]
        if max(late - early for early, late in pairwise(near)) > _HOLE:
            return False
        lowest, now = sorted(before)[int(_LOWEST_SHARE * len(before))], median(later)
        at_once = now < _SUNK_STEP * median(before[-_BEFORE_STEP:])
        return later[-2] < lowest and at_once and now < _FELL * median(before[-_SUNK_BEFORE:])

    def to_plain(self) -> dict[str, Any]:
        return {
            "day": self.day,
            "sums": list(self.sums),
            "days": [list(one) for one in self.days],
            "fell": list(self.fell),
            "rose": list(self.rose),
            "stays": list(self.stays),
        }

    @staticmethod
    def from_plain(plain: dict[str, Any]) -> DayOhms:
        jumps = list(plain["fell"]), list(plain["rose"]), list(plain["stays"])
        return DayOhms(plain["day"], list(plain["sums"]), [list(one) for one in plain["days"]], *jumps)
