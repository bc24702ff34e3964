"""How parallel strings share the current of a discharge, and what that tells of a string.

Own study by simulation: the share in the middle goes by capacity, that of the first minutes by resistance, and a string
that is less full begins with hardly any current or takes some.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import isnan
from typing import Any

from loggerd.analysis.findings.blocks_statistics import mean, variance
from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.findings.events import Swing
from loggerd.analysis.findings.strings_interrupted import Interrupted
from loggerd.model.finding import Finding, Grade
from loggerd.model.ledger import Figure, Instant

_NAME = "strings.sharing"
_CHUNK = 0.01
_KEPT = 5
_STEP = 3.0
_FIRST_FRAMES = 2
_NONE = 0.05
"""Of an equal part: less is what zero offsets leave."""


@dataclass
class _Leg:
    """Amp-hours out since the bank turned to discharge: of the bank and of each string, at each per cent."""

    out: float = 0.0
    parts: list[float] = field(default_factory=list)
    first: list[list[float]] = field(default_factory=list)
    """Current of the bank and of each string in the first frames under load."""
    path: list[list[float]] = field(default_factory=list)


@dataclass(frozen=True)
class Shares:
    """Shares of one string in one discharge, 1 for an equal part: first minutes, middle half, last twentieth, all."""

    first: float
    middle: float
    end: float
    whole: float


def verdict_of_shares(shares: Shares, limit: float) -> str:
    """What one discharge says of a string."""
    even = abs(shares.middle - 1.0) < limit
    # An open string neither gives nor takes; one with a cell short takes from the others first.
    if max(abs(one) for one in (shares.first, shares.middle, shares.end, shares.whole)) < _NONE:
        return "no_current"
    if even and shares.first < 0.4:
        return "behind_in_charge"
    if even and shares.first < 1.0 - limit:
        return "more_resistance" if shares.end > shares.middle + 0.25 * limit else "ambiguous"
    if shares.middle < 1.0 - limit:
        if shares.first < 0.4:
            return "ambiguous"
        return "less_capacity"
    return "even"


class StringSharing:
    """Follows discharges of a bank of several strings whose currents are read."""

    def __init__(self, ground: Ground) -> None:
        self._strings, self._rated = ground.bank.strings, ground.bank.rated_amp_hours
        self._read = self._strings > 1 and any(
            f"string_{number + 1}_amps" in ground.channels for number in range(self._strings)
        )
        self._leg = _Leg(parts=[0.0] * self._strings)
        self._seen: list[list[list[float]]] = [[] for _ in range(self._strings)]
        self._told: list[list[Any]] = [["", 0.0] for _ in range(self._strings)]
        self._interrupted = Interrupted(ground)

    def push(self, moment: Moment) -> list[Finding]:
        if not self._read:
            return []
        frame, told = moment.frame, []
        swing = next((one for one in moment.events if isinstance(one, Swing) and one.kind == "discharge"), None)
        if swing is not None:
            told = self._finish(moment, swing)
            self._leg = _Leg(parts=[0.0] * self._strings)
        if frame.after_unknown:
            self._leg = _Leg(parts=[0.0] * self._strings)
        amps = frame.mean_list[frame.layout.string_amps]
        told += self._interrupted.push(frame)
        if any(isnan(one) for one in amps):
            return told
        hours = frame.covered_ms / 3_600_000
        leg, whole = self._leg, sum(amps)
        leg.out -= whole * hours
        if leg.out <= 0.0:
            self._leg = _Leg(parts=[0.0] * self._strings)
            return told
        for number, one in enumerate(amps):
            leg.parts[number] -= one * hours
        if whole < -0.02 * self._rated and len(leg.first) < _FIRST_FRAMES:
            leg.first.append([whole, *amps])
        if leg.out >= (leg.path[-1][0] if leg.path else 0.0) + _CHUNK * self._rated:
            leg.path.append([leg.out, *leg.parts])
        return told

    def shares(self) -> list[Shares] | None:
        """Shares of each string in the discharge so far; None where it was too short."""
        leg = self._leg
        if len(leg.path) < 8 or not leg.first:
            return None
        return [
            Shares(
                self._strings * sum(row[one] for row in leg.first) / sum(row[0] for row in leg.first),
                self._between(0.25, 0.75, one),
                self._between(0.95, 1.0, one),
                self._between(0.0, 1.0, one),
            )
            for one in range(1, self._strings + 1)
        ]

    def _between(self, begin: float, end: float, string: int) -> float:
        path = [[0.0] * (self._strings + 1), *self._leg.path]
        last = path[-1][0]
        first = max((row for row in path[:-1] if row[0] <= begin * last), key=lambda row: row[0])
        until = min((row for row in path if row[0] >= end * last), key=lambda row: row[0])
        if until[0] <= first[0]:
            return 1.0
        return self._strings * (until[string] - first[string]) / (until[0] - first[0])

    def _finish(self, moment: Moment, swing: Swing) -> list[Finding]:
        shares = self.shares()
        if shares is None or swing.gap_ms > 0.1 * (swing.end_ms - swing.start_ms):
            return []
        told = []
        for number, one in enumerate(shares):
            seen = self._seen[number]
            seen.append([round(value, 4) for value in (one.first, one.middle, one.end, one.whole)])
            del seen[:-_KEPT]
            if finding := self._judge(moment, swing, number, seen):
                told.append(finding)
        return told

    def _judge(self, moment: Moment, swing: Swing, number: int, seen: Sequence[Sequence[float]]) -> Finding | None:
        limits: Mapping[str, float] = moment.limits
        need = int(limits["block_agreeing_discharges"])
        words = [verdict_of_shares(Shares(*row), limits["string_share_fraction"]) for row in seen]
        word = max(sorted(set(words)), key=words.count)
        agree = words.count(word)
        if agree < need:
            return None
        middle = [100.0 * row[1] for row in seen]
        value = round(mean(middle), 1)
        before, last = self._told[number]
        if word == before and abs(value - last) < _STEP:
            return None
        self._told[number] = [word, value]
        half = 2.8 * (variance(middle) / len(middle)) ** 0.5
        session = moment.frame.session
        names = ("share_first_minutes", "share_middle", "share_end", "share_amp_hours")
        numbers = [100.0 * median([row[one] for row in seen]) for one in range(4)]
        return Finding(
            _NAME,
            f"string {number + 1}",
            word,
            Grade.OBSERVED,
            _reason(word, agree, len(words), numbers),
            Instant(session, moment.frame.end_ms),
            value,
            round(value - half, 1),
            round(value + half, 1),
            evidence=((Instant(session, swing.start_ms), Instant(session, swing.end_ms)),),
            details=tuple(Figure(name, round(one, 1)) for name, one in zip(names, numbers, strict=True)),
        )

    def to_plain(self) -> dict[str, Any]:
        return {
            "leg": vars(self._leg),
            "seen": self._seen,
            "told": self._told,
            "interrupted": self._interrupted.to_plain(),
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._leg, self._seen, self._told = _Leg(**plain["leg"]), plain["seen"], plain["told"]
        self._interrupted.load_plain(plain["interrupted"])


def _reason(word: str, agree: int, looked: int, numbers: Sequence[float]) -> str:
    first, middle, end, _ = numbers
    told = (
        f"{agree} of the last {looked} discharges agree: {first:.0f} % of an equal part in the first minutes, "
        f"{middle:.0f} % in the middle, {end:.0f} % at the end"
    )
    if word == "less_capacity":
        alike = abs(first - middle) < 4.0
        return told + ("; its resistance is larger in proportion" if alike else "; its resistance is not larger")
    if word == "ambiguous":
        return told + "; ambiguous: needs this string measured alone on charge, discharge and at rest"
    return told
