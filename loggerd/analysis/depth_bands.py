"""The ledger of depth: rainflow counts of how deep the bank goes below full (ASTM E1049-85, 5.4.4), streaming.

The path is the depth below full in amp-hours, counted at the ends of phases and held at zero: charge beyond what was
taken out is not stored. A reversal smaller than the gate is not counted.
The rule of the standard: with the last three turning points, X the newest range and Y the one before it; wait while
X < Y; otherwise count Y, as one half cycle if it contains the starting point (which is dropped), else as one cycle (its
two points are dropped). The points left at the end count as half cycles.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class DepthCount:
    """One counted range: `depth` in amp-hours, `count` 1 or 0.5, from and to the turning points' instants."""

    depth: float
    count: float
    start: tuple[int, int]
    end: tuple[int, int]


@dataclass(frozen=True)
class _Point:
    depth: float
    at: tuple[int, int]


@dataclass
class DepthCounter:
    """`points`: turning points not yet counted. `gate` in amp-hours."""

    gate: float
    depth: float = 0.0
    points: list[_Point] = field(default_factory=list)
    extreme: _Point | None = None

    def push(self, amp_hours: float, start: tuple[int, int], end: tuple[int, int]) -> list[DepthCount]:
        """Ranges counted when `amp_hours` (charge positive) have gone in between two (session, ms) instants."""
        if self.extreme is None:
            self.extreme = _Point(self.depth, start)
            self.points = [self.extreme]
        self.depth = max(0.0, self.depth - amp_hours)
        return self._move(_Point(self.depth, end))

    def _move(self, point: _Point) -> list[DepthCount]:
        """Racetrack filter: a turning point is taken when the path has come back from it by the gate."""
        assert self.extreme is not None
        turned = self.points[-1]
        if self.extreme is turned:
            if abs(point.depth - turned.depth) >= self.gate:
                self.extreme = point
            return []
        rising = self.extreme.depth > turned.depth
        if (point.depth >= self.extreme.depth) if rising else (point.depth <= self.extreme.depth):
            self.extreme = point
            return []
        if abs(point.depth - self.extreme.depth) < self.gate:
            return []
        self.points.append(self.extreme)
        self.extreme = point
        return self._count()

    def _count(self) -> list[DepthCount]:
        counts: list[DepthCount] = []
        while len(self.points) >= 3:
            newest = abs(self.points[-1].depth - self.points[-2].depth)
            before = abs(self.points[-2].depth - self.points[-3].depth)
            if newest < before:
                break
            if len(self.points) == 3:
                counts.append(_range(self.points[0], self.points[1], 0.5))
                del self.points[0]
            else:
                counts.append(_range(self.points[-3], self.points[-2], 1.0))
                del self.points[-3:-1]
        return counts

    def residue(self) -> list[DepthCount]:
        """What the turning points left would count as half cycles if the record ended here."""
        rest = DepthCounter(self.gate, self.depth, list(self.points), self.extreme)
        counts: list[DepthCount] = []
        if rest.extreme is not None and rest.extreme is not rest.points[-1]:
            rest.points.append(rest.extreme)
            counts = rest._count()
        return counts + [_range(a, b, 0.5) for a, b in zip(rest.points, rest.points[1:], strict=False)]

    def to_plain(self) -> dict[str, object]:
        at_turn = self.extreme is not None and self.extreme is self.points[-1]
        return {
            "depth": self.depth,
            "points": [[point.depth, list(point.at)] for point in self.points],
            "extreme": None if self.extreme is None or at_turn else [self.extreme.depth, list(self.extreme.at)],
        }

    def load_plain(self, plain: dict[str, object]) -> None:
        self.depth = float(plain["depth"])  # type: ignore[arg-type]
        self.points = [_Point(depth, (at[0], at[1])) for depth, at in plain["points"]]  # type: ignore[attr-defined]
        extreme = plain["extreme"]
        if isinstance(extreme, list):
            self.extreme = _Point(extreme[0], (extreme[1][0], extreme[1][1]))
        else:
            self.extreme = self.points[-1] if self.points else None


def _range(a: _Point, b: _Point, count: float) -> DepthCount:
    return DepthCount(abs(a.depth - b.depth), count, a.at, b.at)
