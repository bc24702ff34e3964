"""A block's span against its own first weeks: has it risen, and is it the joint or the block itself?"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.findings.events import Rested
from loggerd.analysis.findings.resistance_history import DepthHistory, Rise
from loggerd.analysis.findings.resistance_steps import ANY_DEPTH, DEPTHS
from loggerd.model.bank import Bank

JOINT, BLOCK, UNTOLD = "joint", "block", "untold"
_SUDDEN_DAYS = 10
_REST_BASE, _REST_NOW = 5, 3
_STEEP, _LEVEL, _TWO_ERRORS = 1.5, 0.3, 2.0
_BY_DEPTH = {
    BLOCK: "the added resistance grows as the bank is drawn down, which that of a joint does not",
    JOINT: "the added resistance is the same when the bank is low as when it is nearly full",
}
_TURN_DAYS = 3
"""So many judgements in a row are needed to say that it is the other after all."""
_COARSE_SHARE = 0.25
_LOWER_SHARE = 0.2
"""Of the spread that is too wide after a charge: a block that lags has more resistance by that (own choice)."""
_AHEAD_DAYS = 3


@dataclass(frozen=True)
class Judged:
    """What a span shows: state "", "rising" or "risen"; whose it is, and why; `rise` None where it cannot be told."""

    state: str
    kind: str
    why: str
    rise: Rise | None
    since_day: int | None


@dataclass
class RestDeviations:
    """Rested voltage of each block against the median of its peers, per cell: of the first rests, and of the latest."""

    first: list[list[float | None]] = field(default_factory=list)
    latest: list[list[float | None]] = field(default_factory=list)

    def add(self, rested: Rested, bank: Bank) -> None:
        known = sorted(volts for volts in rested.block_volts if volts is not None)
        if len(known) < 2:
            return
        middle = median(known)
        cells = bank.cells_per_block
        row = [None if volts is None else (volts - middle) / cells for volts in rested.block_volts]
        if len(self.first) < _REST_BASE:
            self.first.append(row)
        else:
            self.latest = [*self.latest, row][-_REST_NOW:]

    def fall(self, block: int) -> float | None:
        """Volts per cell by which the block has come down at rest; None where it is not known."""
        before = sorted(row[block - 1] for row in self.first if row[block - 1] is not None)  # type: ignore[type-var]
        now = sorted(row[block - 1] for row in self.latest if row[block - 1] is not None)  # type: ignore[type-var]
        if not before or not now:
            return None
        return median(before) - median(now)  # type: ignore[arg-type]


@dataclass
class Span:
    """One block with its joint. `quiet_day`: the last day on which it had not risen; `state` as last judged."""

    block: int
    state: str = ""
    kind: str = ""
    quiet_day: int | None = None
    why: str = ""
    turn_days: int = 0

    def judge(
        self, day: int, depths: Mapping[int, DepthHistory], rest_fall: float | None, limits: Mapping[str, float]
    ) -> Judged:
        """Judge the span by the shallowest depth that is known; the others tell whose the rise is."""
        rises = {
            number: rise
            for number in (*range(DEPTHS), ANY_DEPTH)
            if number in depths and (rise := depths[number].share_rise(day, self.block)) is not None
        }
        if not rises:
            return Judged(self.state, self.kind, self.why, None, self.quiet_day)
        main = _main(rises, depths)
        rise, least = rises[main], limits["link_rise_fraction"]
        if rise.value < _COARSE_SHARE * least or self.quiet_day is None:
            self.quiet_day = day
        self.state = self._state(rise, least)
        if not self.state:
            self.kind, self.why, self.turn_days = "", "", 0
            return Judged("", "", "", rise, None)
        kind, why = self._whose(day, main, rises, rest_fall, limits)
        self._settle(kind, why)
        return Judged(self.state, self.kind, self.why, rise, self.quiet_day)

    def _settle(self, kind: str, why: str) -> None:
        """Once it is known whose it is, a day that shows less does not take it back."""
        if kind == self.kind or (kind == UNTOLD and self.kind):
            self.turn_days = 0
            return
        self.turn_days += 1
        if self.kind in ("", UNTOLD) or self.turn_days >= _TURN_DAYS:
            self.kind, self.why, self.turn_days = kind, why, 0

    def _state(self, rise: Rise, least: float) -> str:
        if rise.value >= least and rise.value > rise.half_width:
            return "risen"
        if self.state == "risen" and rise.value >= 0.6 * least:
            return "risen"
        if rise.value >= 0.6 * least and rise.value > 1.5 * rise.half_width:
            return "rising"
        if self.state and rise.value >= 0.4 * least:
            return self.state if self.state == "rising" else "rising"
        return ""

    def _whose(
        self, day: int, main: int, rises: Mapping[int, Rise], rest_fall: float | None, limits: Mapping[str, float]
    ) -> tuple[str, str]:
        if rest_fall is not None and rest_fall > limits["block_spread_full_volts_per_cell"]:
            return BLOCK, f"it has come down by {rest_fall * 1000:.0f} mV per cell at rest too, which no joint can do"
        kind = _by_depth(rises)
        if kind in _BY_DEPTH:
            return kind, _BY_DEPTH[kind]
        if main not in (0, ANY_DEPTH):
            return UNTOLD, "steps at a small depth of discharge are missing, which would tell a joint from a block"
        if rest_fall is not None and rest_fall > _LOWER_SHARE * limits["block_spread_full_volts_per_cell"]:
            return UNTOLD, f"it stands {rest_fall * 1000:.0f} mV per cell lower at rest too: it may be less charged"
        if self.state == "risen" and self.quiet_day is not None and day - self.quiet_day <= _SUDDEN_DAYS:
            return JOINT, "it came within days, and a block does not age that fast"
        return UNTOLD, "it came slowly, and steps at other depths of discharge are missing"

    def to_plain(self) -> list[Any]:
        return [self.block, self.state, self.kind, self.quiet_day, self.why, self.turn_days]


def _main(rises: Mapping[int, Rise], depths: Mapping[int, DepthHistory]) -> int:
    """The shallowest depth that is known; or all depths together where steps are so rare that those are ahead of it."""
    shallowest = next(iter(rises))
    if ANY_DEPTH in rises and depths[ANY_DEPTH].latest_day > depths[shallowest].latest_day + _AHEAD_DAYS:
        return ANY_DEPTH
    return shallowest


def _by_depth(rises: Mapping[int, Rise]) -> str:
    """A joint adds the same ohms at any depth; what ages in a block adds more when it is low."""
    known = [number for number in rises if number != ANY_DEPTH]
    if len(known) < 2:
        return UNTOLD
    shallow, deep = rises[known[0]], rises[known[-1]]
    errors = math.hypot(shallow.excess_error, deep.excess_error)
    growth = deep.excess_ohms - shallow.excess_ohms
    if growth > _TWO_ERRORS * errors and deep.excess_ohms > _STEEP * shallow.excess_ohms:
        return BLOCK
    close = max(abs(growth), errors) <= _LEVEL * abs(shallow.excess_ohms)
    return JOINT if close else UNTOLD
