"""Does the current have the right sign, and do current and voltage belong together?"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from math import sqrt
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.meter_common import FRAMES_PER_DAY, Facts, Look, Teller, Told, correction
from loggerd.analysis.findings.meter_ohms import DayOhms
from loggerd.analysis.frames import Step
from loggerd.model.finding import Finding

_VOTES = 24
_LEAST_VOTES = 8
_AGREE = 0.85
_CALM_VOLTS = 2.2
"""Below this no charger holds the voltage per cell, so that it follows the current."""
_LEAST_VOLTS = 0.003
_LEAST_RATE = 0.02
_HIGH_VOLTS, _LOW_VOLTS = 2.3, 2.03
"""Above the one a bank takes current, below the other it gives it."""


class Sign:
    """Counts what the voltage did when the current changed: votes of +1 (right) and -1 (reversed), the last ones.

    `levels`: votes by level, of a voltage that only a charger can hold, and of one that only a load can pull down.
    """

    def __init__(self, ground: Ground) -> None:
        self._least = _LEAST_VOLTS * ground.bank.cells_in_series
        self._teller = Teller("meter.current_sign", {})
        self._votes: deque[int] = deque(maxlen=_VOTES)
        self._levels: dict[str, deque[int]] = {name: deque(maxlen=_VOTES) for name in ("high", "low")}
        self._before: list[float] | None = None
        self._wrong_since: int | None = None
        self._right_ms = 0
        self._frames = 0

    def push(self, look: Look, moment: Moment, facts: Facts) -> list[Finding]:
        if not look.judged:
            self._before = None
            return []
        self._frames += 1
        if look.volts < _CALM_VOLTS:
            self._vote_on_steps(look.frame.steps)
        if self._before is not None and look.follows:
            self._vote_on_change(look, *self._before)
        self._vote_on_level(look)
        self._before = [look.volts, look.rate]
        told = self._verdict()
        found = self._teller.tell(look, moment, told) if told else []
        facts.sign, facts.right_ms = self._teller.verdict(), self._right_ms
        return found

    def _vote(self, votes: deque[int], vote: int, at_ms: int) -> None:
        votes.append(vote)
        if vote > 0:
            self._wrong_since = None
            self._right_ms = at_ms if votes is self._votes else self._right_ms
        elif self._wrong_since is None:
            self._wrong_since = at_ms

    def _vote_on_steps(self, steps: Iterable[Step]) -> None:
        votes, least = self._votes, self._least
        for step in steps:
            volts = step.bank_volts
            if abs(volts) > least:
                if volts * step.amps > 0:
                    votes.append(1)
                    self._wrong_since, self._right_ms = None, step.at_ms
                else:
                    self._vote(votes, -1, step.at_ms)

    def _vote_on_change(self, look: Look, volts_before: float, rate_before: float) -> None:
        rate = look.rate - rate_before
        if abs(rate) <= _LEAST_RATE or look.volts >= _CALM_VOLTS or volts_before >= _CALM_VOLTS:
            return
        volts = look.volts - volts_before
        if abs(volts) > _LEAST_VOLTS:
            self._vote(self._votes, 1 if volts * rate > 0 else -1, look.frame.start_ms)

    def _vote_on_level(self, look: Look) -> None:
        volts, rate = look.volts, look.rate
        if volts >= _HIGH_VOLTS and abs(rate) > 0.01:
            self._vote(self._levels["high"], 1 if rate > 0 else -1, look.frame.start_ms)
        elif volts <= _LOW_VOLTS and abs(rate) > 0.02:
            self._vote(self._levels["low"], 1 if rate < 0 else -1, look.frame.start_ms)

    def _verdict(self) -> Told | None:
        count = len(self._votes)
        if count >= _LEAST_VOTES:
            return self._by_changes(count)
        told = self._by_level()
        if told is None and self._frames >= 2 * FRAMES_PER_DAY and not self._teller.verdict():
            return Told("cannot_tell", f"only {count} changes of the current moved the voltage; needed: {_LEAST_VOTES}")
        return told

    def _by_changes(self, count: int) -> Told | None:
        right = self._votes.count(1)
        agree = right >= _AGREE * count
        if agree and self._teller.verdict() == "right":
            return None
        words = f"in {right} of {count} changes of the current the voltage moved the same way as the current"
        if agree:
            return Told("right", words, ("amps",), value=right / count * 100)
        if right <= (1 - _AGREE) * count and not self._charges_at_high_volts():
            return self._reversed(words, right / count * 100)
        return None

    def _charges_at_high_volts(self) -> bool:
        """Then it is not reversed; loads that bypass the shunt can make the changes look as if it was."""
        high = list(self._levels["high"])[-6:]
        return len(high) == 6 and sum(high) > 0

    def _by_level(self) -> Told | None:
        """By the levels of the voltage, where the current changes too little. A charger that bypasses the shunt makes
        the current look reversed while it charges, so that this alone accuses nobody."""
        high, low, changes = self._levels["high"], self._levels["low"], self._votes
        if len(high) < 12:
            return None
        whole = [*high, *low]
        right = whole.count(1)
        if right >= 0.9 * len(whole) and self._teller.verdict() == "right":
            return None  # said already
        words = (
            f"in {right} of {len(whole)} frames of five minutes the current had the sign that the voltage asks for"
            " (charge at a high voltage, discharge at a low one)"
        )
        if right >= 0.9 * len(whole) and sum(vote > 0 for vote in changes) * 2 >= len(changes):
            return Told("right", words, ("amps",), value=right / len(whole) * 100)
        others = list(low)[-6:] if len(low) >= 6 else list(changes)
        if right <= 0.1 * len(whole) and len(others) >= 3 and all(vote < 0 for vote in others):
            return self._reversed(words, right / len(whole) * 100)
        return None

    def _reversed(self, words: str, share: float) -> Told:
        line = 'sign = "discharge_positive" (or "charge_positive", if it says the other already)'
        reason = f"{words}; {correction(None, line)}"
        return Told("reversed", reason, ("amps",), since_ms=self._wrong_since, value=share)

    def to_plain(self) -> dict[str, Any]:
        return {
            "said": dict(self._teller.said),
            "votes": list(self._votes),
            "levels": {name: list(votes) for name, votes in self._levels.items()},
            "before": self._before,
            "wrong_since": self._wrong_since,
            "right_ms": self._right_ms,
            "frames": self._frames,
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._teller.said = dict(plain["said"])
        self._votes = deque(plain["votes"], _VOTES)
        self._levels = {name: deque(votes, _VOTES) for name, votes in plain["levels"].items()}
        self._before, self._wrong_since, self._frames = plain["before"], plain["wrong_since"], plain["frames"]
        self._right_ms = plain["right_ms"]


class Slope:
    """How the voltage of a cell follows the current between frames, while no charger holds it.

    Sums of squares and products of the changes, fading over some days; makes no findings.
    """

    _FADE = 0.999
    _LEAST = 12.0
    _CALM = 2.13
    _ALIKE = 0.8

    def __init__(self, ground: Ground) -> None:
        del ground
        self._before: list[float] | None = None
        self._sums = [0.0, 0.0, 0.0, 0.0]
        self._days = DayOhms()

    def push(self, look: Look, moment: Moment, facts: Facts) -> list[Finding]:
        del moment
        facts.changes, facts.days = self._sums[0], self._days
        if not look.judged:
            self._before = None
            return []
        before, self._before = self._before, [look.volts, look.rate]
        if before is not None and look.follows and look.volts < self._CALM and before[0] < self._CALM:
            volts, rate = look.volts - before[0], look.rate - before[1]
            if abs(volts) > _LEAST_VOLTS:
                self._days.add(look.frame.number, volts, rate)
                count, volts2, rate2, both = self._sums
                self._sums = [
                    count * self._FADE + 1.0,
                    volts2 * self._FADE + volts * volts,
                    rate2 * self._FADE + rate * rate,
                    both * self._FADE + volts * rate,
                ]
        count, volts2, rate2, both = self._sums
        facts.changes = count
        if count >= self._LEAST and rate2 > 0 and abs(both) >= self._ALIKE * sqrt(volts2 * rate2):
            facts.slope = abs(both) / rate2
        return []

    def to_plain(self) -> dict[str, Any]:
        return {"before": self._before, "sums": list(self._sums), "days": self._days.to_plain()}

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._before, self._sums = plain["before"], list(plain["sums"])
        self._days = DayOhms.from_plain(plain["days"])
