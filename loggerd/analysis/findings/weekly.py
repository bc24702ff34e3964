"""A figure that comes at events, thinned to medians of weeks and of months: bounded, whatever the age of the record."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import nan
from typing import Any

import numpy as np
import numpy.typing as npt

from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.frames import DAY_MS

Floats = npt.NDArray[np.float64]
WEEK_MS = 7 * DAY_MS
YEAR_MS = round(365.25 * DAY_MS)
MONTH_MS = YEAR_MS // 12
KEPT_MONTHS = 60
_KEPT_VALUES = 60


@dataclass(frozen=True)
class Sample:
    """One value, with its time, the temperature it was taken at, and the amp-hours discharged until then."""

    at_ms: float
    value: float
    celsius: float | None
    throughput: float

    def to_plain(self) -> list[float | None]:
        return [self.at_ms, self.value, self.celsius, self.throughput]


def median_sample(samples: list[Sample]) -> Sample:
    """Median value; means of time and throughput; mean temperature of those that have one."""
    number = len(samples)
    warm = [one.celsius for one in samples if one.celsius is not None]
    return Sample(
        sum(one.at_ms for one in samples) / number,
        median([one.value for one in samples]),
        sum(warm) / len(warm) if warm else None,
        sum(one.throughput for one in samples) / number,
    )


@dataclass
class Thinned:
    """`week`: values of the open week, the first 60; `weeks`: medians of the open month's closed weeks; `months`:
    medians of the last 60 closed months. A week belongs to the month in which it ends."""

    week_number: int = -1
    week: list[Sample] = field(default_factory=list)
    month_number: int = -1
    weeks: list[Sample] = field(default_factory=list)
    months: list[Sample] = field(default_factory=list)

    def add(self, sample: Sample) -> None:
        """Take a value; its week must not be closed yet (`roll` first)."""
        if len(self.week) < _KEPT_VALUES:
            self.week.append(sample)

    def roll(self, now_ms: int) -> tuple[Sample | None, bool]:
        """Close what is over at that time. The median of a week that was closed, and whether a month was."""
        number, closed, month_closed = now_ms // WEEK_MS, None, False
        if number == self.week_number:
            return None, False
        if self.week:
            closed = median_sample(self.week)
            month = ((self.week_number + 1) * WEEK_MS - 1) // MONTH_MS
            if month != self.month_number:
                month_closed = self._close_month()
                self.month_number = month
            self.weeks.append(closed)
            self.week = []
        self.week_number = number
        if self.weeks and now_ms // MONTH_MS > self.month_number:
            month_closed = self._close_month() or month_closed
        return closed, month_closed

    def _close_month(self) -> bool:
        if not self.weeks:
            return False
        self.months = [*self.months[1 - KEPT_MONTHS :], median_sample(self.weeks)]
        self.weeks = []
        return True

    def columns(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Years since 1970, values, temperatures (NaN where unknown) and throughputs of the closed months (n,)."""
        rows = [
            (one.at_ms / YEAR_MS, one.value, nan if one.celsius is None else one.celsius, one.throughput)
            for one in self.months
        ]
        table = np.array(rows, dtype=np.float64).reshape(-1, 4)
        return table[:, 0], table[:, 1], table[:, 2], table[:, 3]

    def to_plain(self) -> dict[str, Any]:
        return {
            "week_number": self.week_number,
            "week": [one.to_plain() for one in self.week],
            "month_number": self.month_number,
            "weeks": [one.to_plain() for one in self.weeks],
            "months": [one.to_plain() for one in self.months],
        }

    @staticmethod
    def from_plain(plain: dict[str, Any]) -> Thinned:
        week, weeks, months = ([Sample(*one) for one in plain[name]] for name in ("week", "weeks", "months"))
        return Thinned(plain["week_number"], week, plain["month_number"], weeks, months)
