"""A stretch of charging at constant voltage, as runaway is looked for in it: half-hour means and the last frames.

A load that is switched on, or a cloud, takes the voltage down for minutes and changes nothing of what the heat does: a
block keeps its warmth for hours. So a short dip is left out of the comparison and does not end the stretch; after it,
as many frames more are left out, in which the charger gives back what the dip took and the current is high for that.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import isnan
from typing import Any

from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.frames import FRAME_MS, Frame

_HALF_HOUR = 6
_KEPT_POINTS = 30
_KEPT_HALVES = 26
STEADY_VOLTS = 0.010
"""Per cell: a voltage that is farther from that of the half hour before is not held."""
_LEAST_VOLTS = 2.15
"""Per cell: below this nothing is held that charges."""
_DIP_FRAMES = 3
"""A dip that lasts longer ends the stretch: in a quarter of an hour a block of lead and acid cools by some tenths of a
kelvin at most (own estimate), less than the rise that is looked for."""
_LEFT_OUT = 6
"""Frames left out of one half hour of held ones. With more, the charger does not hold the voltage."""

_COUNTS = ("dip", "recovery", "left_out", "unbroken")


@dataclass(frozen=True)
class Point:
    """Means: current [A], volts per cell, blocks' temperature [°C], what they are above the air [K] (None: unknown);
    `width`: between the highest and the lowest reading of the current within five minutes [A]."""

    amps: float
    volts: float
    celsius: float
    over: float | None
    width: float = 0.0

    @staticmethod
    def mean(points: list[Point]) -> Point:
        number = len(points)
        overs = [one.over for one in points if one.over is not None]
        return Point(
            sum(one.amps for one in points) / number,
            sum(one.volts for one in points) / number,
            sum(one.celsius for one in points) / number,
            sum(overs) / number if len(overs) == number else None,
            sum(one.width for one in points) / number,
        )

    def to_plain(self) -> list[float | None]:
        return [self.amps, self.volts, self.celsius, self.over, self.width]


@dataclass
class Hold:
    """`points`: the last frames, at most 30. `halves`: means of half hours, at most 26. Empty when nothing is held.

    `dip`: frames of a dip that is under way; `recovery`: frames to be left out after it; `left_out`: all those since
    the last half hour; `unbroken`: frames held since the last dip.
    """

    start_ms: int = 0
    end_ms: int = 0
    points: list[Point] = field(default_factory=list)
    halves: list[Point] = field(default_factory=list)
    count: int = 0
    dip: int = 0
    recovery: int = 0
    left_out: int = 0
    unbroken: int = 0

    def push(self, frame: Frame, cells: int, least_amps: float, celsius: float | None) -> bool:
        """Take a frame; False where it ends the stretch, begins none, or is left out of it."""
        volts = frame.volts / cells
        if self.points and (frame.start_ms != self.end_ms or frame.after_unknown):
            self.clear()
        if celsius is None or isnan(volts) or isnan(frame.amps):
            self.clear()
            return False
        held = frame.amps > least_amps and volts > _LEAST_VOLTS
        if self.points and self._leave_out(frame, held, volts - self._level):
            return False
        if not held:
            return False
        ambient = frame.ambient_celsius
        if not self.points:
            self.start_ms = frame.start_ms
        over = None if isnan(ambient) else celsius - ambient
        self.points.append(Point(frame.amps, volts, celsius, over, frame.high_list[0] - frame.low_list[0]))
        del self.points[:-_KEPT_POINTS]
        self.end_ms = frame.end_ms
        self.count += 1
        self.unbroken += 1
        if self.count % _HALF_HOUR == 0:
            self.halves.append(Point.mean(self.points[-_HALF_HOUR:]))
            del self.halves[:-_KEPT_HALVES]
            self.left_out = 0
        return True

    @property
    def _level(self) -> float:
        """Volts per cell at which the bank is held: the median of the last half hour, which the edge of a dip does not
        move."""
        return median([one.volts for one in self.points[-_HALF_HOUR:]])

    def _leave_out(self, frame: Frame, held: bool, moved: float) -> bool:
        """Whether a frame belongs to a dip or to the time after one. Ends the stretch where it is no longer one."""
        if held and moved > STEADY_VOLTS:
            self.clear()
            return False
        if not held or moved < -STEADY_VOLTS:
            self.dip += 1
            self.recovery, self.unbroken = self.dip, 0
        elif self.recovery:
            self.dip, self.recovery = 0, self.recovery - 1
        else:
            return False
        self.left_out += 1
        if self.dip > _DIP_FRAMES or self.left_out > _LEFT_OUT:
            self.clear()
            return False
        self.end_ms = frame.end_ms
        return True

    def clear(self) -> None:
        self.points, self.halves, self.count = [], [], 0
        self.dip = self.recovery = self.left_out = self.unbroken = 0

    @property
    def hours(self) -> float:
        return self.count * FRAME_MS / 3_600_000

    def an_hour_apart(self) -> list[Point]:
        """Means of half hours that end two hours ago, an hour ago and now; empty until there are three."""
        points = self.points
        if len(points) < _KEPT_POINTS:
            return []
        return [Point.mean(points[start : start + _HALF_HOUR]) for start in range(0, _KEPT_POINTS, 2 * _HALF_HOUR)]

    @property
    def half_hour_is_new(self) -> bool:
        """Whether the last frame completed a half hour."""
        return self.count > 0 and self.count % _HALF_HOUR == 0

    def to_plain(self) -> dict[str, Any]:
        return {
            "start_ms": self.start_ms,
            "end_ms": self.end_ms,
            "points": [one.to_plain() for one in self.points],
            "halves": [one.to_plain() for one in self.halves],
            "count": self.count,
            **{name: getattr(self, name) for name in _COUNTS},
        }

    @staticmethod
    def from_plain(plain: dict[str, Any]) -> Hold:
        points, halves = ([Point(*one) for one in plain[name]] for name in ("points", "halves"))
        counts = {name: plain[name] for name in _COUNTS}
        return Hold(plain["start_ms"], plain["end_ms"], points, halves, plain["count"], **counts)
