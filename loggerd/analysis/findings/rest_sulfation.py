"""Acid that does not come back: rested voltages after whole charges against those of the first weeks.

Lead sulfate that no charge dissolves keeps its acid, so a bank that is full rests lower, by about as many hundredths of
the way from full to flat as plates are locked. Only rests soon after charges that were proven full and were held at the
charging voltage, or gassed, for an hour count: after charges cut short, charge is missing too.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from math import hypot, sqrt
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.findings.events import ChargeEnded, LightlyLoaded, Rested
from loggerd.analysis.findings.full_charge_telling import Said, Teller
from loggerd.analysis.findings.rest_charge import unbounded_state
from loggerd.analysis.findings.rest_specs import SULFATION
from loggerd.analysis.frames import DAY_MS
from loggerd.model.finding import Finding, Grade

_AFTER = ("charge", "discharge", "light_load")
"""What came before a rest; or no rest, but a light load."""
_RESTS = 7
_LONGEST_MS = 3 * DAY_MS
"""Since the full charge: in longer ones the zero of the current and self-discharge weigh."""
_HELD_MS = 3_600_000
_LEAST_APART_MS = 14 * DAY_MS
_STEP = 0.06
"""Sulfate grows over many weeks. What comes from one rest to the next is a sensor, or water that mixes at once."""
_MOVE_MS = 14 * DAY_MS
"""Water filled in mixes with the acid in 3 to 8 days, own choice from common practice: most of its way is done then."""
_GOES_ON_MS = 2 * _MOVE_MS
_GOES_ON, _STANDS = 0.5, 0.3
"""Of the fastest fall in a fortnight, four weeks on: water that mixes in 8 days has at most 0.3 left; a course, all."""
_LEVEL_MS = DAY_MS // 2
_FALLEN, _STILL = 0.08, 0.05
"""Of the way from full to flat, beyond the band. Own choice: seasons move what is left to settle after short rests by
a few hundredths (a polarisation of 5 mV is 0.04)."""
_LEAST_BAND = 0.02
_SPEAKS_MS = 60 * DAY_MS
"""Own choice: so long the last of its readings speaks for a kind of rest."""
_TOLD_STEP = 10.0
_LEAST_BLOCKS = 3


class Sulfation:
    """Follows whole charges and the rests after them. `_first`, `_latest`: by what came before the rest, rows
    [at ms, state of charge by voltage plus what had been drawn since full]. `_levels`: medians of the last rests, back
    to one a fortnight old, [at ms, level]. `_moves`: a fall too fast for sulfate, [found at ms, level before, fastest
    fall in a fortnight, 1 once it goes on as a course], until it stands. `_wait_ms`: rests until then are not read."""

    def __init__(self, ground: Ground) -> None:
        self._rated = ground.bank.rated_amp_hours
        self._sealed = ground.bank.type.sealed
        self._whole: list[int] | None = None
        self._wait_ms = 0
        self._begin_anew()

    def _begin_anew(self) -> None:
        self._first: dict[str, list[list[float]]] = {after: [] for after in _AFTER}
        self._latest: dict[str, list[list[float]]] = {after: [] for after in _AFTER}
        self._levels: dict[str, list[list[float]]] = {after: [] for after in _AFTER}
        self._moves: dict[str, list[float] | None] = dict.fromkeys(_AFTER)
        self._fallen = dict.fromkeys(_AFTER, False)

    def entered(self, moment: Moment) -> None:
        """The log book: new water or another block makes another level, to which no rest before compares. What was told
        stands until there are rests enough again: neither cures what is locked in the plates."""
        kinds = {entry.kind for entry in moment.entries if entry.corrects is None}
        if kinds & {"watering", "block_swapped"}:
            self._begin_anew()
        if "watering" in kinds:
            self._wait_ms = moment.frame.end_ms + _MOVE_MS

    def charged(self, event: ChargeEnded, gassed_ms: int) -> None:
        """A charge has ended. One whose finishing current lets the voltage rise is not held, but it gasses."""
        if event.verdict == "full_proven" and max(event.absorption_ms, gassed_ms) >= _HELD_MS:
            self._whole = [event.start_ms, event.end_ms]

    def rested(self, event: Rested, teller: Teller, moment: Moment) -> list[Finding]:
        """A rest has been read."""
        # What a later charge puts in and gas takes is not told apart by the count.
        put_in = moment.since_full.in_amp_hours if moment.since_full is not None else 0.0
        if event.after == "charge" and put_in > 0.05 * self._rated:
            return []
        return self._take(event.after, event.at_ms, _volts_of_most(event), teller, moment)

    def lightly_loaded(self, event: LightlyLoaded, teller: Teller, moment: Moment) -> list[Finding]:
        """The voltage under light loads, some per cent below full, stands in for a rest where there is none."""
        return self._take("light_load", event.at_ms, event.volts_per_cell, teller, moment)

    def _take(self, after: str, at_ms: int, volts: float, teller: Teller, moment: Moment) -> list[Finding]:
        drawn = self._drawn(at_ms, moment)
        if drawn is None or at_ms < self._wait_ms:
            return []
        state = unbounded_state(volts, moment.limits) + drawn / self._rated
        row = [float(at_ms), state]
        first, latest = self._first[after], self._latest[after]
        if len(first) < _RESTS:
            first.append(row)
            return []
        before = _middle(latest)
        self._latest[after] = latest = [*latest, row][-_RESTS:]
        if len(latest) < _RESTS:
            return []
        level = _middle_of(latest)
        if before is not None and abs(level - before) > _STEP:
            self._rebase(after, before, level)
        # Nobody fills water into sealed blocks.
        if not self._sealed and self._moves_fast(after, at_ms, level):
            return []
        first, latest = self._first[after], self._latest[after]
        if len(latest) < _RESTS or latest[0][0] - first[-1][0] < _LEAST_APART_MS:
            return []
        return self._judge(after, teller, moment)

    def _rebase(self, after: str, before: float, level: float) -> None:
        """A step: the first rests are moved by what of it leads away from them. What leads back is recovery, or water
        that had been lost."""
        first = _middle_of(self._first[after])
        change = min(level - min(before, first), 0.0) if level < before else max(level - max(before, first), 0.0)
        if change > 0.0 and self._fallen[after]:
            return
        self._first[after] = [[at_ms, value + change] for at_ms, value in self._first[after]]
        self._levels[after] = [[at_ms, value + level - before] for at_ms, value in self._levels[after]]

    def _moves_fast(self, after: str, at_ms: int, level: float) -> bool:
        """Whether a fall too fast for sulfate has not yet shown what it is. One that comes to stand is a step; one
        that goes on for weeks is a course."""
        levels = self._levels[after] or [[self._first[after][-1][0], _middle_of(self._first[after])]]
        if at_ms - levels[-1][0] >= _LEVEL_MS:
            levels = [*levels, [float(at_ms), level]]
        while len(levels) > 1 and at_ms - levels[1][0] >= _MOVE_MS:
            levels = levels[1:]
        self._levels[after] = levels
        before = levels[0][1]
        fall = before - level
        move = self._moves[after]
        if move is None:
            if fall > _STEP:
                self._moves[after] = [float(at_ms), before, fall, 0.0]
            return fall > _STEP
        move[2] = fastest = max(move[2], fall)
        since_ms = at_ms - move[0]
        goes_on = fall >= _GOES_ON * fastest
        if move[3]:
            self._moves[after] = move if goes_on else None
            return False
        if since_ms >= _MOVE_MS and fall <= _STANDS * fastest:
            self._rebase(after, move[1], level)
            self._latest[after], self._levels[after], self._moves[after] = [], [[float(at_ms), level]], None
            return True
        move[3] = float(goes_on and since_ms >= _GOES_ON_MS)
        return not move[3]

    def _judge(self, after: str, teller: Teller, moment: Moment) -> list[Finding]:
        first, latest = self._first[after], self._latest[after]
        fall = _middle_of(first) - _middle_of(latest)
        band = max(hypot(_error(first), _error(latest)), _LEAST_BAND)
        fallen = self._fallen[after] = fall - band >= (_STILL if self._fallen[after] else _FALLEN)
        now_ms = latest[-1][0]
        if not fallen and self._others_fallen(after, now_ms):
            return []
        if after == "light_load" and self._rests_are_sound(now_ms):
            self._fallen[after] = False
            return []
        read = "Voltages under light loads" if after == "light_load" else "Rests"
        reason = (
            f"{read} within {_LONGEST_MS // DAY_MS} days after proven full charges that were held or gassed for an "
            f"hour: the last {len(latest)} against the first {len(first)}, with what was drawn in between added."
        )
        span = (int(first[0][0]), int(latest[-1][0]))
        said = Said(
            SULFATION.name, "sulfated" if fallen else "as_before", reason, Grade.INFERRED, 100 * fall, 100 * band,
            span=span,
        )  # fmt: skip
        return teller.news(said, moment, _TOLD_STEP)

    def _others_fallen(self, after: str, now_ms: float) -> bool:
        """Whether another kind says that it has fallen, and has been read not long ago."""
        return any(
            fallen and other != after and now_ms - self._latest[other][-1][0] < _SPEAKS_MS
            for other, fallen in self._fallen.items()
        )

    def _rests_are_sound(self, now_ms: float) -> bool:
        """Whether rests, which know more than light loads, say that nothing has fallen."""
        known = [other for other in ("charge", "discharge") if len(self._latest[other]) == _RESTS]
        young = [other for other in known if now_ms - self._latest[other][-1][0] < _SPEAKS_MS]
        return bool(young) and not any(self._fallen[other] for other in young)

    def _drawn(self, at_ms: int, moment: Moment) -> float | None:
        """Amp-hours since a whole charge; None where what is read follows none."""
        since, whole = moment.since_full, self._whole
        if since is None or whole is None or not since.proven or at_ms - since.at_ms > _LONGEST_MS:
            return None
        if not whole[0] <= since.at_ms <= whole[1] + _HELD_MS:
            return None
        return since.net_out_amp_hours

    def to_plain(self) -> dict[str, Any]:
        return {
            "whole": self._whole,
            "wait_ms": self._wait_ms,
            "first": self._first,
            "latest": self._latest,
            "levels": self._levels,
            "moves": {after: None if move is None else list(move) for after, move in self._moves.items()},
            "fallen": dict(self._fallen),
        }

    def load_plain(self, plain: Mapping[str, Any]) -> None:
        self._whole, self._first, self._latest = plain["whole"], plain["first"], plain["latest"]
        self._levels, self._moves, self._wait_ms = plain["levels"], plain["moves"], plain["wait_ms"]
        self._fallen = plain["fallen"]


def _volts_of_most(event: Rested) -> float:
    """Rested volts per cell of the middle block where that is higher: one bad block or a bad sum is no sulfation."""
    blocks = [one for one in event.block_volts if one is not None]
    mean = sum(blocks) / len(blocks) if blocks else 0.0
    if len(blocks) < _LEAST_BLOCKS or mean <= 0.0:
        return event.volts_per_cell
    return max(event.volts_per_cell, event.volts_per_cell * median(blocks) / mean)


def _middle(rows: list[list[float]]) -> float | None:
    return _middle_of(rows) if len(rows) == _RESTS else None


def _middle_of(rows: list[list[float]]) -> float:
    return median(row[1] for row in rows)


def _error(rows: list[list[float]]) -> float:
    """95 % half width of the middle one (1.25: of a median against a mean, normal errors). From successive differences
    (J. von Neumann, Ann. Math. Stat. 12 (1941) 367, from memory): what falls steadily is no scatter."""
    squares = [(after[1] - before[1]) ** 2 / 2 for before, after in pairwise(rows)]
    return 1.96 * 1.25 * sqrt(sum(squares) / len(squares) / len(rows))
