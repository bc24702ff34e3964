"""A load, or the zero of the meter? What a bank takes from full to full tells, beside what the meter shows at rest.

A new load is drawn from the bank and charged again: from one proven full charge to the next, as much more goes in as
came out. A zero that has moved is counted as current that never flowed: the balance moves by it, in every hour.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from loggerd.analysis.findings.estimators.median import median

_LEAST_FRAMES = 6
_QUARTER = 0.75
"""Place among the currents of a day's rests, from the largest load: most loads are off at some time of the day."""
_USUAL_DAYS, _RECENT_DAYS = 14, 4
_USUAL_HOURS = 14 * 24.0
WEEK_HOURS = 7 * 24.0
"""The use of many banks goes by the week, and so does what is charged above what was taken."""
_SETTLED = 0.7
"""Each of the last days has moved by so much of what they have in the middle: else it is under way."""
_KEPT = 24
_LEAST_SHIFT = 0.001
"""Share of the rated amp-hours: less than that is what more or less gassing makes of the balance (own estimate)."""
_MOST_GAS = 0.0025
"""Likewise: no more is charged above what was taken from one season to another (own estimate: 6 % of the rated
amp-hours a day)."""
_LIKE = 0.4
"""How far, as a share, the balance may be from what a moved zero makes of it; a load moves it by far less."""


@dataclass(frozen=True)
class Shift:
    """How far the current at rest and the balance from full to full [shares of the rated amp-hours, each hour] have
    moved since the first weeks; `net`: the balance itself, over `hours`; `settled`: the current at rest has moved on
    each of the last days."""

    idle: float
    balance: float
    net: float
    hours: float
    settled: bool

    def verdict(self, doubt: float) -> str:
        """ "zero", "load", "same" where the current at rest has not moved, or "" where it cannot be told.

        `doubt`: what the proofs of a full charge leave open, as a share of the rated amp-hours.
        """
        if abs(self.idle) < _LEAST_SHIFT:
            return "same"
        if not self.settled:
            return ""
        if abs(self.balance - self.idle) <= _LIKE * abs(self.idle) and self._beyond_gas(doubt):
            return "zero"
        return "load" if abs(self.balance) <= _LIKE * abs(self.idle) and self.idle < 0 else ""

    def _beyond_gas(self, doubt: float) -> bool:
        """Whether more or less gas than in the first weeks, as by season, cannot have moved the balance as far."""
        return self.net * self.hours < -doubt if self.idle < 0 else self.balance > _MOST_GAS


@dataclass
class Balance:
    """`this_day`: currents at rest of the day that runs; `usual`, `recent`: one level for each day; `usual_hours`,
    `usual_net`: of the accounts of the first weeks; `accounts`: hours and net of the last ones. Shares of the rated
    amp-hours, charge positive."""

    day: int = -1
    this_day: list[float] = field(default_factory=list)
    usual: list[float] = field(default_factory=list)
    recent: list[float] = field(default_factory=list)
    usual_hours: float = 0.0
    usual_net: float = 0.0
    accounts: list[list[float]] = field(default_factory=list)

    def rested(self, day: int, rate: float) -> None:
        """A frame of steady current at a voltage at which no charger works."""
        if day != self.day:
            self._end_day()
            self.day = day
        self.this_day.append(rate)

    def account(self, hours: float, net: float) -> None:
        """From one proven full charge to the next."""
        if self.usual_hours < _USUAL_HOURS:
            self.usual_hours, self.usual_net = self.usual_hours + hours, self.usual_net + net
        self.accounts = [*self.accounts, [hours, net]][-_KEPT:]

    def level(self) -> float | None:
        """The current at rest of the last days; None until it is known."""
        return median(self.recent) if len(self.recent) >= 2 else None

    def steady(self) -> bool:
        """Whether the last days showed about the same at rest."""
        widest = max((abs(one) for one in self.recent), default=0.0)
        return len(self.recent) == _RECENT_DAYS and max(self.recent) - min(self.recent) <= (1 - _SETTLED) * widest

    def shift(self) -> Shift | None:
        """What has moved; None until there is enough to compare."""
        level, recent = self.level(), self.last(WEEK_HOURS)
        if level is None or recent is None or len(self.usual) < _USUAL_DAYS or len(self.recent) < _RECENT_DAYS:
            return None
        if self.usual_hours < _USUAL_HOURS:
            return None
        hours, net = recent
        idle = level - median(self.usual)
        settled = all((one - median(self.usual)) * idle >= _SETTLED * idle * idle for one in self.recent)
        return Shift(idle, net / hours - self.usual_net / self.usual_hours, net / hours, hours, settled)

    def last(self, least_hours: float) -> tuple[float, float] | None:
        """Hours and net of the last accounts, so many hours or more; None where there are not so many."""
        hours = net = 0.0
        for one in reversed(self.accounts):
            hours, net = hours + one[0], net + one[1]
            if hours >= least_hours:
                return hours, net
        return None

    def _end_day(self) -> None:
        if len(self.this_day) >= _LEAST_FRAMES:
            level = sorted(self.this_day)[int(_QUARTER * (len(self.this_day) - 1))]
            if len(self.usual) < _USUAL_DAYS:
                self.usual = [*self.usual, level]
            self.recent = [*self.recent, level][-_RECENT_DAYS:]
        self.this_day = []

    def to_plain(self) -> dict[str, Any]:
        plain = dict(vars(self))
        for name in ("this_day", "usual", "recent"):
            plain[name] = list(plain[name])
        plain["accounts"] = [list(one) for one in self.accounts]
        return plain

    @staticmethod
    def from_plain(plain: dict[str, Any]) -> Balance:
        return Balance(**{**plain, "accounts": [list(one) for one in plain["accounts"]]})
