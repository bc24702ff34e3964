"""Weekly sags of the loaded voltage at depth, and what a row of them says: crept down, jumped, or as before."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from loggerd.analysis.findings.estimators.median import median

_LEAST_FRAMES = 3
_KEPT_WEEKS = 60
_RECENT = 4
"""Weeks that are what it is now."""
SAG_MILLIVOLTS, STILL_MILLIVOLTS = 4.0, 2.0
"""Per cell. Own study by simulation: healthy banks stay within 2 through a year; a fifth of the plates is 5 to 6 at a
depth of 40 to 60 %."""
_MILLIVOLTS_PER_KELVIN = 0.15
"""What the season may leave in a sag: by simulation a sound cart in winter is 5 mV lower at 55 % for 9 K."""
_DEEP_FROM, _MORE_PER_KELVIN = 0.55, 2.0
"""From this depth on it leaves more, by this for each unit of depth [mV per K]: a cold bank holds less, and so stands
nearer to its end. Own study by simulation: a sound lift truck bank in winter is 4 mV lower at 75 % for 8 K."""
_FARTHEST_KELVIN = 10.0
"""A bank holds 0.6 to 1 % less for each kelvin (common practice, no source), so a cold one is nearer to its end at the
same amp-hours; farther from the first weeks than this, a sound bank lies as low as one that has lost plates."""
_CREPT_WEEKS = 4
"""A step passes through a running median of four weeks in three; what takes longer has crept. Plates fade over months,
another load or another scale of a sensor comes at once."""
_GROWN = 2.0
"""So many times what it was a month after it was first seen is growth, however soon it came."""


@dataclass
class Week:
    """`rows`: by tenth of depth, sum of what is left [V per cell] and frames; `warm`: sum of tens of kelvin over 25 °C,
    and frames."""

    rows: list[list[float]]
    warm: list[float]

    @staticmethod
    def empty(bins: int) -> Week:
        return Week([[0.0, 0.0] for _ in range(bins)], [0.0, 0.0])

    def add(self, place: int, left: float, warm: float) -> None:
        self.rows[place][0] += left
        self.rows[place][1] += 1.0
        self.warm[0] += warm
        self.warm[1] += 1.0

    def left(self, first: int, end: int) -> float | None:
        """Mean of what is left in those bins; None with too few frames."""
        total, count = (sum(row[side] for row in self.rows[first:end]) for side in (0, 1))
        return total / count if count >= _LEAST_FRAMES else None

    def to_plain(self) -> dict[str, Any]:
        return {"rows": self.rows, "warm": self.warm}

    @staticmethod
    def from_plain(plain: dict[str, Any]) -> Week:
        return Week(plain["rows"], plain["warm"])


@dataclass(frozen=True)
class Seen:
    """How far the voltage lies lower, per cell, positive where it does, with its half width."""

    verdict: str
    millivolts: float
    half_millivolts: float
    depth: float
    weeks: int
    why: str


@dataclass
class Sag:
    """`weeks`: [millivolts lower, depth, kelvin from the middle of the first weeks] of each week, oldest first."""

    weeks: list[list[float]] = field(default_factory=list)
    fallen: bool = False
    crept: bool = False
    """That it came little by little, once seen: how it came may be older than the weeks kept."""

    def close(self, week: Week, known: list[int], shallow: int, middle: float) -> None:
        """Take a week over. `known`: bins that the first weeks reached; `middle`: their temperature."""
        begin = week.left(0, shallow)
        deepest = next((place for place in reversed(known) if week.rows[place][1] >= _LEAST_FRAMES), None)
        if begin is None or deepest is None:
            return
        deep = week.left(deepest, deepest + 1)
        if deep is None:
            return
        kelvin = 10.0 * (week.warm[0] / week.warm[1] - middle)
        if abs(kelvin) > _FARTHEST_KELVIN:
            return
        self.weeks = [*self.weeks, [1000.0 * (begin - deep), (deepest + 0.5) / len(week.rows), kelvin]][-_KEPT_WEEKS:]

    def judge(self) -> Seen | None:
        """None with too few weeks."""
        if len(self.weeks) < _RECENT:
            return None
        recent = self.weeks[-_RECENT:]
        values = [one[0] for one in recent]
        value = median(values)
        scatter = 1.4826 * median([abs(one - value) for one in values])
        depth = median([one[1] for one in recent])
        per_kelvin = _MILLIVOLTS_PER_KELVIN + _MORE_PER_KELVIN * max(0.0, depth - _DEEP_FROM)
        half = scatter + per_kelvin * abs(median([one[2] for one in recent]))
        self.fallen = value - half >= SAG_MILLIVOLTS or (self.fallen and value >= STILL_MILLIVOLTS)
        self.crept = self.fallen and (self.crept or self._crept())
        if not self.fallen:
            return Seen("as_before", value, half, depth, len(self.weeks), "")
        if not self.crept:
            why = (
                "It came at once, or had come before the first weeks were over or in weeks too cold or too warm to "
                "compare, so plates need not be the cause."
            )
            return Seen("jumped", value, half, depth, len(self.weeks), why)
        return Seen("fallen", value, half, depth, len(self.weeks), "It came little by little.")

    def _crept(self) -> bool:
        """Whether it took weeks to come, or has kept growing since it came."""
        rows = [one[0] for one in self.weeks]
        running = [median(rows[end - _RECENT : end]) for end in range(_RECENT, len(rows) + 1)]
        first = next((place for place, one in enumerate(running) if one >= SAG_MILLIVOLTS), None)
        if first is None:
            return False
        little = [place for place in range(first) if running[place] < SAG_MILLIVOLTS / 3.0]
        slow = bool(little) and first - little[-1] >= _CREPT_WEEKS
        later = running[first + _RECENT :]
        return slow or (bool(later) and max(later) >= _GROWN * max(later[0], SAG_MILLIVOLTS))

    def to_plain(self) -> dict[str, Any]:
        return {"weeks": self.weeks, "fallen": self.fallen, "crept": self.crept}

    @staticmethod
    def from_plain(plain: dict[str, Any]) -> Sag:
        return Sag(plain["weeks"], plain["fallen"], plain["crept"])
