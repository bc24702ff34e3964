"""How a figure came to where it is: one value a day, kept over weeks, to tell a jump from a creep.

An instrument's scale is wrong from the start, or from the moment that somebody changes it; nothing in an instrument
creeps by a tenth over weeks. Plates, acid and water do (common practice, no source; the figures are own choice).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import log
from typing import Any

from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.frames import DAY_MS

_FIRST = 5
"""So many days are what it was at the beginning."""
_KEPT = 75
_SIDE = 3
"""Days on each side of a jump."""
_LEAST_CHANGE = 1.1
_AT_ONCE = 0.5
"""A jump makes this share, at least, of all that changed."""


@dataclass
class Course:
    """`first`: values of the first days; `days`: day since 1970 and latest value of the last days on which there was
    one, oldest first. Values are above 0."""

    first: list[float] = field(default_factory=list)
    days: list[list[float]] = field(default_factory=list)

    def add(self, at_ms: int, value: float) -> None:
        """Take a value; of a day, the last one counts."""
        day = at_ms // DAY_MS
        if self.days and self.days[-1][0] == day:
            self.days[-1][1] = value
            return
        if self.days and len(self.first) < _FIRST:
            self.first.append(self.days[-1][1])
        self.days.append([day, value])
        del self.days[:-_KEPT]

    def crept(self, upward: bool) -> bool:
        """Whether the value has changed that way since the beginning, little by little.

        False where it has not changed, has jumped, or where there are too few days to tell.
        """
        if len(self.first) < _FIRST or len(self.days) < 2 * _SIDE + _FIRST:
            return False
        values = [log(one[1]) for one in self.days]
        sign = 1.0 if upward else -1.0
        total = sign * (median(values[-_SIDE:]) - log(median(self.first)))
        if total < log(_LEAST_CHANGE):
            return False
        jumps = [
            sign * (median(values[middle : middle + _SIDE]) - median(values[middle - _SIDE : middle]))
            for middle in range(_SIDE, len(values) - _SIDE + 1)
        ]
        return max(jumps) < _AT_ONCE * total

    def to_plain(self) -> dict[str, Any]:
        return {"first": list(self.first), "days": [list(one) for one in self.days]}

    @staticmethod
    def from_plain(plain: dict[str, Any]) -> Course:
        return Course(list(plain["first"]), [list(one) for one in plain["days"]])
