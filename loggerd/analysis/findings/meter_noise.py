"""Is a channel ever quiet? Loads and chargers stand still for some minutes of every day, and so must what is read of
them; a channel that scatters far more than its maker states, in every part of whole days, is noisy itself. Unless it
shows more than any battery carries: then its scale is wrong, and makes as much more of the noise of a good sensor."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from loggerd.analysis.findings.meter_common import FRAMES_PER_DAY, Look

_EVERY = 3
"""Every so many frames is looked at."""
_LEAST_LOOKS = 72
"""Looks of a day, out of 96, that a channel must have been read in."""
_QUIET_SHARE = 0.05
_LEAST_READINGS = 3
DAYS = 2
"""So many days without a quiet time name a channel."""


@dataclass(frozen=True, slots=True)
class Fine:
    """A channel by name and column, and the width of its readings within a frame that its stated noise explains;
    `most`: the size from which on it can be nothing but wrong by a factor."""

    name: str
    column: int
    width: float
    most: float = float("inf")


@dataclass
class Unquiet:
    """Counts, day by day. `looks` and `quiet` of the day by channel; `open`: channels that were not quiet so far;
    `days`: days on end without a quiet time, by channel; `beyond`: channels that showed more than they can, today."""

    channels: tuple[Fine, ...]
    day: int = -1
    looks: dict[str, int] = field(default_factory=dict)
    quiet: dict[str, int] = field(default_factory=dict)
    days: dict[str, int] = field(default_factory=dict)
    beyond: set[str] = field(default_factory=set)
    _open: tuple[Fine, ...] = ()

    def push(self, look: Look) -> bool:
        """Take a frame; whether a day has ended with it, so that `days` is new."""
        number = look.frame.number
        day = number // FRAMES_PER_DAY
        ended = day != self.day
        if ended:
            self._end(day)
        if number % _EVERY or not self._open:
            return ended
        for one in self._open:
            if look.counts[one.column] < _LEAST_READINGS:
                continue
            if abs(look.means[one.column]) > one.most:
                self.beyond.add(one.name)
            self.looks[one.name] = self.looks.get(one.name, 0) + 1
            if look.highs[one.column] - look.lows[one.column] <= one.width:
                self.quiet[one.name] = self.quiet.get(one.name, 0) + 1
                if self.quiet[one.name] >= _QUIET_SHARE * FRAMES_PER_DAY / _EVERY:
                    self._close(one)
        return ended

    def _close(self, channel: Fine) -> None:
        """It was quiet often enough for today."""
        self._open = tuple(one for one in self._open if one is not channel)

    def _end(self, day: int) -> None:
        before, self.days = self.days, {}
        for one in self._open:
            if self.looks.get(one.name, 0) >= _LEAST_LOOKS and one.name not in self.beyond:
                self.days[one.name] = min(before.get(one.name, 0) + 1, DAYS)
        self.day, self.looks, self.quiet, self.beyond, self._open = day, {}, {}, set(), self.channels

    def to_plain(self) -> dict[str, Any]:
        return {
            "day": self.day,
            "looks": dict(self.looks),
            "quiet": dict(self.quiet),
            "days": dict(self.days),
            "beyond": sorted(self.beyond),
            "open": [one.name for one in self._open],
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self.day, self.looks, self.quiet = plain["day"], dict(plain["looks"]), dict(plain["quiet"])
        self.days, self.beyond = dict(plain["days"]), set(plain["beyond"])
        self._open = tuple(one for one in self.channels if one.name in plain["open"])
