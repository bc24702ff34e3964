"""The tail of a charge: current and voltage of the frames in which the charging voltage was held."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import log
from typing import Any

from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.findings.full_charge_robust import slope_with_band, theil_sen

FRAMES_AN_HOUR = 12
"""The tail is an hour of held frames."""
_LAST = 3
_SETTLING = 3
"""So many frames after a break in holding are left out, since the plates take up again what a load drew."""
_EQUAL = 6
"""Frames over which the voltage must no longer rise: three equal readings a quarter of an hour apart."""
_ROSE, _SLOWER = 0.01, 0.75
"""Volts per cell in half an hour that count as a rise, and the share of it that is clearly less."""
_LEAST_SHARE = 2e-4
"""Currents are taken as at least this share of the rated amp-hours, for their logarithm."""


@dataclass(frozen=True)
class Shape:
    """How the tail runs. `amps`: now; `fall`: share of the current lost in an hour (negative where it rises), None
    with less than an hour of it; `rise`: volts per cell gained in an hour, or None; `fall_error`: 95 % of the fall.
    """

    amps: float
    fall: float | None
    rise: float | None
    fall_error: float = 0.0

    @property
    def left(self) -> float | None:
        """The most that the bank would still take at this voltage [Ah]; None where the current does not clearly fall.

        A current that goes on falling by the same share of itself passes so much until it is nothing, as what plates
        take up at a constant voltage does (the charging equation of Shepherd, J. Electrochem. Soc. 112 (1965) 657,
        whose overvoltage grows with 1 / what is left). Gas keeps the current up and only makes the figure larger.
        """
        if self.fall is None or self.fall <= 2 * self.fall_error:
            return None
        return self.amps / (self.fall - self.fall_error)

    def is_flat(self, rated: float, limits: Mapping[str, float], fall_limit: str) -> bool:
        """Neither current nor voltage still moves: at constant voltage the one tells, at constant current the other.

        A small current may fall by more of itself: what it loses is nothing to the bank.
        """
        if self.fall is None or self.rise is None:
            return False
        wide = limits[fall_limit] / limits["full_tail_flat_per_hour"]
        nothing = wide * limits["full_tail_small_fraction"] * limits["full_flat_likely_per_hour"] * rated
        steady = -2 * limits[fall_limit] < self.fall < limits[fall_limit]
        still = self.rise < wide * limits["full_volts_flat_per_hour"]
        return still and (steady or abs(self.fall) * self.amps < nothing)


@dataclass
class Tail:
    """The last hour of held frames, by held time: (amps, volts per cell at reference), oldest first."""

    rows: list[list[float]] = field(default_factory=list)
    away: int = 0
    skip: int = 0

    def leave(self, frames: int = 1) -> None:
        """Frames in which the voltage was not held. An hour of them ends the tail."""
        self.away += frames
        if self.away >= FRAMES_AN_HOUR:
            self.rows = []

    def add(self, amps: float, volts: float) -> bool:
        """A held frame; whether it counts."""
        if self.away:
            self.skip, self.away = (min(self.away, _SETTLING) if self.rows else 0), 0
        if self.skip:
            self.skip -= 1
            return False
        self.rows = [*self.rows[1 - FRAMES_AN_HOUR :], [amps, volts]]
        return True

    def shape(self, rated: float) -> Shape | None:
        """How it runs now; None without a quarter of an hour of it."""
        if len(self.rows) < _LAST:
            return None
        amps = median([row[0] for row in self.rows[-_LAST:]])
        if len(self.rows) < FRAMES_AN_HOUR:
            return Shape(amps, None, None)
        hours = [number / FRAMES_AN_HOUR for number in range(len(self.rows))]
        logs = [log(max(row[0], _LEAST_SHARE * rated)) for row in self.rows]
        late = slice(-_EQUAL, None)
        slope, error, _ = slope_with_band(hours, logs)
        return Shape(amps, -slope, theil_sen(hours[late], [row[1] for row in self.rows[late]]), error)

    def rise_slows(self) -> bool:
        """Whether the voltage rose in this hour, and clearly less in its second half than in the first."""
        if len(self.rows) < FRAMES_AN_HOUR:
            return False
        middle_row = FRAMES_AN_HOUR // 2
        first = self.rows[middle_row - 1][1] - self.rows[0][1]
        second = self.rows[-1][1] - self.rows[middle_row][1]
        return first > _ROSE and second < _SLOWER * first

    def to_plain(self) -> dict[str, Any]:
        return {"rows": self.rows, "away": self.away, "skip": self.skip}

    @staticmethod
    def from_plain(plain: Mapping[str, Any]) -> Tail:
        return Tail([list(row) for row in plain["rows"]], plain["away"], plain["skip"])
