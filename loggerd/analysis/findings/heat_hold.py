"""A stretch of charging at constant voltage, as runaway is looked for in it: half-hour means and the last frames."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import isnan
from typing import Any

from loggerd.analysis.frames import FRAME_MS, Frame

_HALF_HOUR = 6
_KEPT_POINTS = 14
_KEPT_HALVES = 26
STEADY_VOLTS = 0.010
"""Per cell: a voltage that moves by more from one frame to the next is not held."""
_LEAST_VOLTS = 2.15
"""Per cell: below this nothing is held that charges."""


@dataclass(frozen=True)
class Point:
    """Means: current [A], volts per cell, blocks' temperature [°C], what they are above the air [K] (None: unknown)."""

    amps: float
    volts: float
    celsius: float
    over: float | None

    @staticmethod
    def mean(points: list[Point]) -> Point:
        number = len(points)
        overs = [one.over for one in points if one.over is not None]
        return Point(
            sum(one.amps for one in points) / number,
            sum(one.volts for one in points) / number,
            sum(one.celsius for one in points) / number,
            sum(overs) / number if len(overs) == number else None,
        )

    def to_plain(self) -> list[float | None]:
        return [self.amps, self.volts, self.celsius, self.over]


@dataclass
class Hold:
    """`points`: the last frames, at most 14. `halves`: means of half hours, at most 26. Empty when nothing is held."""

    start_ms: int = 0
    end_ms: int = 0
    points: list[Point] = field(default_factory=list)
    halves: list[Point] = field(default_factory=list)
    count: int = 0

    def push(self, frame: Frame, cells: int, least_amps: float, celsius: float | None) -> bool:
        """Take a frame; False where it ends the stretch, or begins none."""
        volts = frame.volts / cells
        held = celsius is not None and frame.amps > least_amps and volts > _LEAST_VOLTS
        if self.points and (frame.start_ms != self.end_ms or not held or frame.after_unknown):
            self.clear()
        if not held or celsius is None or isnan(volts):
            return False
        if self.points and abs(volts - self.points[-1].volts) > STEADY_VOLTS:
            self.clear()
        ambient = frame.ambient_celsius
        if not self.points:
            self.start_ms = frame.start_ms
        self.points.append(Point(frame.amps, volts, celsius, None if isnan(ambient) else celsius - ambient))
        del self.points[:-_KEPT_POINTS]
        self.end_ms = frame.end_ms
        self.count += 1
        if self.count % _HALF_HOUR == 0:
            self.halves.append(Point.mean(self.points[-_HALF_HOUR:]))
            del self.halves[:-_KEPT_HALVES]
        return True

    def clear(self) -> None:
        self.points, self.halves, self.count = [], [], 0

    @property
    def hours(self) -> float:
        return self.count * FRAME_MS / 3_600_000

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
        }

    @staticmethod
    def from_plain(plain: dict[str, Any]) -> Hold:
        points, halves = ([Point(*one) for one in plain[name]] for name in ("points", "halves"))
        return Hold(plain["start_ms"], plain["end_ms"], points, halves, plain["count"])
