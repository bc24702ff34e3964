"""Resistances at one depth, of days, or of a few days where steps are rare: a baseline from the first of them, and what
the latest say against it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from loggerd.analysis.findings.resistance_steps import DepthTable
from loggerd.analysis.frames import Floats
from loggerd.analysis.quantiles import student_95

BASE_DAYS, LEAST_BASE_DAYS, BASE_SPAN_DAYS = 10, 4, 14
"""The baseline is done with so many days; with the least of them once the span is over."""
_RECENT, _PRESENT, _STALE_DAYS = 7, 3, 30
_LEAST_SPREAD = 0.005
_MAD_TO_SD = 1.4826
_KELVIN_DOUBT = 0.005
"""Doubt of the relative change of resistance [1/K]: published values lie between 0.005 and 0.015."""


@dataclass(frozen=True)
class Rise:
    """A change against the baseline as a fraction, with its standard error and 95 % half width.

    `excess_ohms`: what that is in ohms now; `base`: the value of the baseline; `latest`: the present one.
    """

    value: float
    error: float
    half_width: float
    base: float
    latest: float
    excess_ohms: float = 0.0

    @property
    def excess_error(self) -> float:
        return abs(self.error * self.excess_ohms / self.value) if self.value else math.inf


@dataclass
class DepthHistory:
    """Days as lists: day, session, bank ohms, degrees, then ohms by block and shares by block; None where unknown."""

    days: list[list[Any]] = field(default_factory=list)
    base: dict[str, Any] | None = None
    recent: list[list[Any]] = field(default_factory=list)

    def add(self, day: int, session: int, table: DepthTable, blocks_per_string: int) -> None:
        """Take the day into the baseline until that is done, then into the latest days."""
        whole = table.bank
        shares = table.shares(blocks_per_string)
        row = [
            day,
            session,
            whole.ohms if whole else None,
            table.celsius,
            _plain(table.block_ohms),
            _plain(shares),
        ]
        if self.base is not None:
            self.recent = [*self.recent, row][-_RECENT:]
            return
        self.days.append(row)
        over = day - self.days[0][0] >= BASE_SPAN_DAYS
        if len(self.days) >= BASE_DAYS or (over and len(self.days) >= LEAST_BASE_DAYS):
            self.base = self._settle()
            self.days = []

    def _settle(self) -> dict[str, Any]:
        bank = np.array([np.nan if row[2] is None else row[2] for row in self.days])[:, None]
        known = [row[3] for row in self.days if row[3] is not None]
        base: dict[str, Any] = {
            "from": self.days[0][0],
            "to": self.days[-1][0],
            "days": len(self.days),
            "celsius": float(np.median(known)) if known else None,
        }
        columns = (("bank", bank), ("ohms", _stack(self.days, 4)), ("shares", _stack(self.days, 5)))
        for name, values in columns:
            middle, spread = _middle_and_spread(values)
            base[name], base[f"{name}_spread"] = _plain(middle), _plain(spread)
        return base

    def present(self, day: int) -> list[list[Any]]:
        """The latest days that count now; none while there are too few."""
        fresh = [row for row in self.recent if day - row[0] <= _STALE_DAYS][-_PRESENT:]
        return fresh if len(fresh) >= _PRESENT - 1 else []

    @property
    def latest_day(self) -> int:
        return int(self.recent[-1][0]) if self.recent else -1

    def share_rise(self, day: int, block: int) -> Rise | None:
        """How much the share of a block (from 1) is above its own baseline; None if it cannot be told."""
        rows = self.present(day)
        if self.base is None or not rows:
            return None
        now = [row[5][block - 1] for row in rows]
        base, spread = self.base["shares"][block - 1], self.base["shares_spread"][block - 1]
        rise = _rise(now, base, spread, self.base["days"])
        if rise is None:
            return None
        ohms = [row[4][block - 1] for row in rows]
        peer = float(np.median([one / share for one, share in zip(ohms, now, strict=True) if one and share] or [0.0]))
        excess = (rise.latest - rise.base) * peer
        return Rise(rise.value, rise.error, rise.half_width, rise.base, rise.latest, excess)

    def bank_rise(self, day: int) -> Rise | None:
        """How much the bank's resistance is above its baseline, or the middle one of its blocks where those are read.

        The band includes what the change of temperature leaves in doubt.
        """
        rows = self.present(day)
        if self.base is None or not rows:
            return None
        rise = _rise([row[2] for row in rows], self.base["bank"][0], self.base["bank_spread"][0], self.base["days"])
        if rise is None:
            return None
        blocks = self._middle_block_rise(rows)
        value = rise.value if blocks is None else blocks
        return Rise(value, rise.error, math.hypot(rise.half_width, self._kelvin_doubt(rows)), rise.base, rise.latest)

    def _middle_block_rise(self, rows: list[list[Any]]) -> float | None:
        assert self.base is not None
        ratios = []
        for block, base in enumerate(self.base["ohms"]):
            now = [row[4][block] for row in rows if row[4][block] is not None]
            if base and now:
                ratios.append(float(np.median(now)) / base - 1)
        return float(np.median(ratios)) if ratios else None

    def _kelvin_doubt(self, rows: list[list[Any]]) -> float:
        assert self.base is not None
        known = [row[3] for row in rows if row[3] is not None]
        if not known or self.base["celsius"] is None:
            return 20.0 * _KELVIN_DOUBT
        return abs(float(np.median(known)) - float(self.base["celsius"])) * _KELVIN_DOUBT

    def to_plain(self) -> dict[str, Any]:
        return {"days": self.days, "base": self.base, "recent": self.recent}

    @staticmethod
    def from_plain(plain: dict[str, Any]) -> DepthHistory:
        return DepthHistory(plain["days"], plain["base"], plain["recent"])


def _rise(now: list[float | None], base: float | None, spread: float | None, days: int) -> Rise | None:
    known = [value for value in now if value is not None]
    if not base or spread is None or len(known) < _PRESENT - 1:
        return None
    middle = float(np.median(known))
    # Of three days the range holds the standard deviation 1.69 times, of two 1.13 times.
    scatter = max(spread, (max(known) - min(known)) / (1.69 if len(known) > 2 else 1.13))
    error = 1.2533 * math.hypot(spread / math.sqrt(days), scatter / math.sqrt(len(known))) / abs(base)
    return Rise(middle / base - 1, error, student_95(days - 1) * error, base, middle)


def _middle_and_spread(values: Floats) -> tuple[Floats, Floats]:
    """Median and robust standard deviation of each column of (days, c), NaN where half of the days are unknown."""
    middle, spread = (np.full(values.shape[1], np.nan) for _ in range(2))
    enough = (~np.isnan(values)).sum(axis=0) * 2 >= len(values)
    if enough.any():
        some = values[:, enough]
        middle[enough] = np.nanmedian(some, axis=0)
        scatter = _MAD_TO_SD * np.nanmedian(np.abs(some - middle[enough]), axis=0)
        spread[enough] = np.maximum(scatter, _LEAST_SPREAD * np.abs(middle[enough]))
    return middle, spread


def _stack(days: list[list[Any]], place: int) -> Floats:
    return np.array([[np.nan if one is None else one for one in row[place]] for row in days], dtype=np.float64)


def _plain(values: Floats) -> list[float | None]:
    return [None if math.isnan(value) else value for value in values.tolist()]
