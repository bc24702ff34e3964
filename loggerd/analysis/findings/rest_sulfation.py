"""Acid that does not come back: rested voltages after whole charges against those of the first weeks.

Lead sulfate that no charge dissolves keeps its acid, so a bank that is full rests lower, by about as many hundredths of
the way from full to flat as plates are locked. Only rests soon after charges that were proven full and were held at the
charging voltage, or gassed, for an hour count: after charges cut short, charge is missing too.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from math import hypot, sqrt
from statistics import median
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.events import ChargeEnded, Rested
from loggerd.analysis.findings.full_charge_telling import Said, Teller
from loggerd.analysis.findings.rest_charge import unbounded_state
from loggerd.analysis.findings.rest_specs import SULFATION
from loggerd.analysis.frames import DAY_MS
from loggerd.model.finding import Finding, Grade

_RESTS = 7
_LONGEST_MS = 3 * DAY_MS
"""Since the full charge: in longer ones the zero of the current and self-discharge weigh."""
_HELD_MS = 3_600_000
_LEAST_APART_MS = 14 * DAY_MS
_STEP = 0.06
"""Sulfate grows over weeks. What comes from one rest to the next is water filled in, or a sensor."""
_FALLEN, _STILL = 0.08, 0.05
"""Of the way from full to flat, beyond the band. Own choice: seasons move what is left to settle after short rests by
a few hundredths (a polarisation of 5 mV is 0.04)."""
_LEAST_BAND = 0.02
_TOLD_STEP = 10.0
_LEAST_BLOCKS = 3


class Sulfation:
    """Follows whole charges and the rests after them. `_first`, `_latest`: by what came before the rest, rows
    [at ms, state of charge by voltage plus what had been drawn since full]."""

    def __init__(self, ground: Ground) -> None:
        self._rated = ground.bank.rated_amp_hours
        self._whole: list[int] | None = None
        self._first: dict[str, list[list[float]]] = {"charge": [], "discharge": []}
        self._latest: dict[str, list[list[float]]] = {"charge": [], "discharge": []}
        self._fallen = {"charge": False, "discharge": False}

    def charged(self, event: ChargeEnded, gassed_ms: int) -> None:
        """A charge has ended. One whose finishing current lets the voltage rise is not held, but it gasses."""
        if event.verdict == "full_proven" and max(event.absorption_ms, gassed_ms) >= _HELD_MS:
            self._whole = [event.start_ms, event.end_ms]

    def rested(self, event: Rested, teller: Teller, moment: Moment) -> list[Finding]:
        """A rest has been read."""
        drawn = self._drawn(event, moment)
        if drawn is None:
            return []
        state = unbounded_state(_volts_of_most(event), moment.limits) + drawn / self._rated
        row = [float(event.at_ms), state]
        first, latest = self._first[event.after], self._latest[event.after]
        if len(first) < _RESTS:
            first.append(row)
            return []
        before = _middle(latest)
        self._latest[event.after] = latest = [*latest, row][-_RESTS:]
        if before is not None and len(latest) == _RESTS and abs(change := _middle_of(latest) - before) > _STEP:
            self._first[event.after] = first = [[at_ms, value + change] for at_ms, value in first]
        if len(latest) < _RESTS or latest[0][0] - first[-1][0] < _LEAST_APART_MS:
            return []
        return self._judge(event.after, teller, moment)

    def _judge(self, after: str, teller: Teller, moment: Moment) -> list[Finding]:
        first, latest = self._first[after], self._latest[after]
        fall = _middle_of(first) - _middle_of(latest)
        band = max(hypot(_error(first), _error(latest)), _LEAST_BAND)
        fallen = self._fallen[after] = fall - band >= (_STILL if self._fallen[after] else _FALLEN)
        if not fallen and any(self._fallen.values()):
            return []
        reason = (
            f"Rests within {_LONGEST_MS // DAY_MS} days after proven full charges that were held or gassed for an "
            f"hour: the last {len(latest)} against the first {len(first)}, with what was drawn in between added."
        )
        span = (int(first[0][0]), int(latest[-1][0]))
        said = Said(
            SULFATION.name, "sulfated" if fallen else "as_before", reason, Grade.INFERRED, 100 * fall, 100 * band,
            span=span,
        )  # fmt: skip
        return teller.news(said, moment, _TOLD_STEP)

    def _drawn(self, event: Rested, moment: Moment) -> float | None:
        """Amp-hours since a whole charge; None where the rest follows none."""
        since, whole = moment.since_full, self._whole
        if since is None or whole is None or not since.proven or event.at_ms - since.at_ms > _LONGEST_MS:
            return None
        if not whole[0] <= since.at_ms <= whole[1] + _HELD_MS:
            return None
        # What a later charge puts in and gas takes is not told apart by the count.
        if event.after == "charge" and since.in_amp_hours > 0.05 * self._rated:
            return None
        return since.net_out_amp_hours

    def to_plain(self) -> dict[str, Any]:
        return {"whole": self._whole, "first": self._first, "latest": self._latest, "fallen": dict(self._fallen)}

    def load_plain(self, plain: Mapping[str, Any]) -> None:
        self._whole, self._first, self._latest = plain["whole"], plain["first"], plain["latest"]
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
