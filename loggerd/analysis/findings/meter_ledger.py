"""Amp-hours by the meter from one charge to the next, against what a bank can do.

A charge that brings the voltage up to where gas begins has put back, until then, about what was taken, and never much
more; and what is given, day after day, has to be put back before. A scale that is wrong leaves both alike; a zero that
is off grows with the hours and shows at rest; what is wired past the shunt does neither.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.findings.meter_common import FRAMES_PER_DAY, FRAMES_PER_HOUR, Look
from loggerd.analysis.findings.meter_ohms import KEPT_DAYS
from loggerd.analysis.frames import FRAME_MS

_HELD_VOLTS, _GONE_VOLTS = 2.25, 2.18
_HELD_FRAMES = 2 * FRAMES_PER_HOUR
_KEPT = 20
_CHARGING = 0.01
"""Share of the rated amp-hours: less is float or upkeep, of which any amount may go by without a discharge."""
_LOST_FRAMES, _LOST_SHARE = 0.03, 0.05
"""Own choice, no source: so much of a cycle, of its frames or of its amp-hours, may lie in holes."""
_ROSE_DAYS = 30
"""So long ohms that rose at once speak of what was wired at that time."""
_LEAST_CYCLES = 4
_REST_VOLTS, _MOST_REST, _STEADY, _RISE_VOLTS = 2.16, 0.02, 0.0015, 0.001
_HOURS_MS = 3_600_000 / FRAME_MS
_PROVEN_RESTS = 8
_SHIFT = 0.0007
"""A current at rest that is nearer than this share of the rated amp-hours to what it always was is followed."""
_LEARN = 0.1
_SURELY = 2.0
"""So many times what the zero may have moved is left to it."""
_NO_CHARGE_VOLTS, _DRAINS, _DRAIN_WIDTH = 2.12, 60, 0.0005
_OUT_SHARE, _OUT_MARGIN = 0.8, 0.5
"""Own choice, no source: a bank that was held at its charge each time can have lost half of its amp-hours since the
first of the charges, and puts back more than it gives."""
_IN_SHARE, _IN_MARGIN = 1.2, 0.3
"""Own choice, no source: before gas begins next to nothing is lost; what is put back above what was taken had been
missing before, and that cannot be more than the bank holds."""

_HOT_CELSIUS = 45.0
"""In blocks as hot as that gas begins long before its usual voltage (common practice, no source)."""
_GAS_SHARE, _GAS_MARGIN = 1.6, 0.1
"""Own choice, no source: gas takes a third to a half of what is given where a bank is overcharged badly."""


@dataclass
class Ledger:
    """All amp-hours as shares of the rated ones.

    `cycles`: out, in until the charging voltage was reached, in, hours, and day, of the last charges; `out`,
    `inward`, `bulk`, `hours`: of the one that runs; `held`: frames at the charging voltage; `full`: held for long
    enough; `gas`: the charging voltage was reached once; `void`: something is missing in it; `lost`: frames that
    are missing, and about the share moved in them; `rate`: that of the frame before. `rest`: sum of the rates,
    first rate and volts, frames of the rest that runs; `least`: rate of the calmest rest of the cycle; `rests`:
    those of the last cycles; `usual`: what they always were, by `known` of them. `drains`: frames of the cycle by
    how much was drawn, for a bank that never rests. `told`: the verdict, until another charge is closed; `judged`:
    how many charges it rests on, and their sums of out, in until the charging voltage was reached, and in;
    `ground`: "bulk" or "gas", what speaks for a load, and `rose`: the day of the rise it began with.
    """

    cycles: list[list[float]] = field(default_factory=list)
    out: float = 0.0
    inward: float = 0.0
    bulk: float = 0.0
    hours: float = 0.0
    held: int = 0
    full: bool = False
    gas: bool = False
    lost: list[float] = field(default_factory=lambda: [0.0, 0.0])
    rate: float = 0.0
    void: bool = True
    rest: list[float] = field(default_factory=list)
    least: float | None = None
    rests: list[float] = field(default_factory=list)
    usual: float = 0.0
    known: int = 0
    drains: list[int] = field(default_factory=lambda: [0] * _DRAINS)
    told: str = ""
    judged: list[float] = field(default_factory=list)
    ground: str = ""
    rose: float = 0.0

    def push(self, look: Look, moved: float) -> None:
        """Take a frame, and the share of the rated amp-hours moved in it."""
        if moved > 0.0:
            self.inward += moved
        else:
            self.out -= moved
        volts, rate = look.volts, look.rate
        self.hours += 1 / _HOURS_MS
        if look.frame.celsius > _HOT_CELSIUS:
            self.void = True
        if missed := look.frame.missed:
            self.lost[0] += missed
            self.lost[1] += missed / _HOURS_MS * max(abs(self.rate), abs(rate))
        self.rate = rate
        self._rest(look, volts, rate)
        if volts >= _HELD_VOLTS:
            self.gas = True
            self.held += 1
            self.full = self.full or self.held >= _HELD_FRAMES
            return
        # Gas has passed from the first touch on: what a later one of this cycle takes is no longer before it.
        if not self.gas and moved > 0.0 and rate > _CHARGING:
            self.bulk += moved
        if volts < _GONE_VOLTS:
            self.held = 0
            if self.full:
                self._close(look.frame.number // FRAMES_PER_DAY)

    def spoil(self) -> None:
        """The cycle that runs cannot be counted."""
        self.void, self.rest = True, []

    def _torn(self) -> bool:
        """Whether too much of the cycle lies in holes."""
        frames, share = self.lost
        return frames > _LOST_FRAMES * self.hours * _HOURS_MS or share > _LOST_SHARE * max(self.out, self.inward)

    def _rest(self, look: Look, volts: float, rate: float) -> None:
        if volts < _NO_CHARGE_VOLTS and look.highs[0] < 0:
            place = int(-rate / _DRAIN_WIDTH)
            if place < _DRAINS:
                self.drains[place] += 1
        if volts >= _REST_VOLTS or abs(rate) > _MOST_REST:
            self.rest = []
            return
        rest = self.rest
        if not rest or not look.follows or abs(rate - rest[1]) > _STEADY:
            self.rest = [rate, rate, volts, 1.0]
            return
        rest[0] += rate
        rest[3] += 1
        if rest[3] >= FRAMES_PER_HOUR:
            if volts - rest[2] <= _RISE_VOLTS:
                mean = rest[0] / rest[3]
                self.least = mean if self.least is None else max(self.least, mean)
            self.rest = []

    def _close(self, day: int) -> None:
        if not self.void and not self._torn():
            self.cycles.append([self.out, self.bulk, self.inward, self.hours, day])
            del self.cycles[:-_KEPT]
            self.judged = []
        least = self.least if self.least is not None else self._drain()
        if least is not None:
            self._learn(least)
        self.out, self.inward, self.bulk, self.hours = 0.0, 0.0, 0.0, 0.0
        self.full, self.gas, self.void, self.lost = False, False, False, [0.0, 0.0]
        self.least, self.drains = None, [0] * _DRAINS

    def _drain(self) -> float | None:
        """What is drawn at the least, by all but the lowest quarter of the frames without a charge."""
        before, quarter = 0, 0.25 * sum(self.drains)
        if quarter < 0.25 * FRAMES_PER_HOUR:
            return None
        for place, count in enumerate(self.drains):
            if before + count >= quarter:
                return -(place + (quarter - before) / count) * _DRAIN_WIDTH
            before += count
        return None

    def _learn(self, rate: float) -> None:
        self.rests.append(rate)
        del self.rests[:-_LEAST_CYCLES]
        if not self.known:
            self.usual, self.known = rate, 1
        elif abs(rate - self.usual) < _SHIFT:
            self.usual += _LEARN * (rate - self.usual)
            self.known += 1

    def shift(self) -> float | None:
        """By how much the current at rest is another than it was; from none at all, where that is not known."""
        if not self.rests:
            return None
        return median(self.rests) - (self.usual if self.known >= _PROVEN_RESTS else 0.0)

    def verdict(self, today: int, rose: float | None) -> str:
        """ "load", "charger", or nothing: what of it the meter does not see, by the last charges.

        `rose`: the day on which the volts for each amp became more at once, as where the meter sees a part of the load
        only.
        """
        came_back = rose is None and today - self.rose <= KEPT_DAYS
        if rose is not None and today - rose > _ROSE_DAYS:
            rose = None
        if self.ground == "gas" and not came_back:
            # What was told in time stands as long as the charges go on like that.
            rose = self.rose
        if self.judged and (rose is None or self.told):
            return self.told
        if len(self.cycles) < _LEAST_CYCLES or (shift := self.shift()) is None:
            return ""
        off_rate, off = shift * _SURELY, 0.0
        out, bulk, inward = 0.0, 0.0, 0.0
        # Newest first: what came before the thing was wired so is not in it.
        for number, (gone, before_gas, back, hours, day) in enumerate(reversed(self.cycles), 1):
            out, bulk, inward, off = out + gone, bulk + before_gas, inward + back, off + off_rate * hours
            if number >= _LEAST_CYCLES:
                self.ground = _missed(out, bulk, inward, off, rose is not None and day > rose)
                self.told = "load" if self.ground in ("bulk", "gas") else self.ground
                self.judged = [number, out, bulk, inward]
                if self.told:
                    self.rose = rose if rose is not None else self.rose
                    break
        return self.told

    def to_plain(self) -> dict[str, Any]:
        plain = dict(vars(self))
        plain["cycles"] = [list(one) for one in self.cycles]
        plain["judged"], plain["lost"] = list(self.judged), list(self.lost)
        plain["rest"], plain["rests"], plain["drains"] = list(self.rest), list(self.rests), list(self.drains)
        return plain

    @staticmethod
    def from_plain(plain: dict[str, Any]) -> Ledger:
        lists = {name: list(plain[name]) for name in ("rest", "rests", "drains", "judged", "lost")}
        return Ledger(**{**plain, **lists, "cycles": [list(one) for one in plain["cycles"]]})


def _missed(out: float, bulk: float, inward: float, off: float, ohms_rose: bool) -> str:
    """ "charger", or why a load must be missing: "bulk" or "gas". `off`: what the zero may have made of it."""
    if out + min(0.0, off) - inward > _OUT_MARGIN and inward - min(0.0, off) < _OUT_SHARE * out:
        return "charger"
    if bulk - max(0.0, off) > _IN_SHARE * out + _IN_MARGIN:
        return "bulk"
    gassed = inward - max(0.0, off) > _GAS_SHARE * out + _GAS_MARGIN
    return "gas" if ohms_rose and gassed else ""
