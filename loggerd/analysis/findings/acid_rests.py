"""Rests and the legs between them as they come, for the acid reserve and the state of charge of a full bank."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import hypot
from typing import Any

from loggerd.analysis.findings.acid_reserve import Leg
from loggerd.analysis.findings.events import Rested
from loggerd.analysis.frames import DAY_MS, FRAME_MS, Frame
from loggerd.model.bank import Accuracy, Bank

_MOST_RESTS = 32
_WITH_TEMPLATE_VOLTS = 0.004
_BAND_TO_ERROR = 1.96
_FIRST, _LATEST = 3, 3
_LONGEST_LEG_MS = 10 * DAY_MS
"""Self-discharge and the zero of the current would weigh too much in a longer one."""


@dataclass
class AcidRests:
    """`rests`: [at ms, session, state, its standard deviation, amp-hours put in since the one before, their standard
    deviation, whether that leg counts]. `full_first`, `full_latest`: states of charge of a proven full bank."""

    rests: list[list[Any]] = field(default_factory=list)
    moved: float = 0.0
    turned: float = 0.0
    ms: int = 0
    gap_ms: int = 0
    gassed: bool = False
    broken: bool = True
    gassed_at_ms: int | None = None
    began_ms: int | None = None
    full_first: list[list[float]] = field(default_factory=list)
    full_latest: list[list[float]] = field(default_factory=list)

    def push(self, frame: Frame, bank: Bank, limits: Mapping[str, float]) -> None:
        """Add a frame to the leg that is open."""
        if self.began_ms is None:
            self.began_ms = frame.start_ms
        if frame.after_unknown:
            self.broken = True
        amp_hours = frame.amp_hours
        self.moved += amp_hours
        self.turned += abs(amp_hours)
        self.ms += FRAME_MS * (1 + frame.missed)
        self.gap_ms += frame.unread_ms
        if amp_hours > 0 and frame.volts > limits["gassing_volts_per_cell"] * bank.cells_in_series:
            self.gassed, self.gassed_at_ms = True, frame.end_ms

    def add(self, rested: Rested, session: int, accuracy: Accuracy | None) -> bool:
        """End the leg with a rest; whether the rest is good enough to be used."""
        if rested.after_full == "proven":
            self._add_full(rested)
        if rested.grade != "A" and not (rested.grade == "B" and rested.volts_half_width <= _WITH_TEMPLATE_VOLTS):
            return False
        counts = not (self.broken or self.gassed or self.gap_ms > 0.02 * self.ms or self.ms > _LONGEST_LEG_MS)
        error = self._error(accuracy)
        row = [
            rested.at_ms,
            session,
            rested.state_of_charge,
            rested.state_half_width / _BAND_TO_ERROR,
            self.moved,
            error,
            bool(counts and self.rests),
        ]
        self.rests = [*self.rests, row][-_MOST_RESTS:]
        self.moved, self.turned, self.ms, self.gap_ms, self.gassed, self.broken = 0.0, 0.0, 0, 0, False, False
        return True

    def _error(self, accuracy: Accuracy | None) -> float:
        """Standard deviation of a leg's amp-hours but for the gain, which is common to all of them."""
        offset = accuracy.offset if accuracy and accuracy.offset is not None else 0.0
        gap = self.turned * self.gap_ms / max(self.ms, 1)
        return offset * self.ms / 3_600_000 / _BAND_TO_ERROR + 0.5 * gap + 0.002 * self.turned + 1e-6

    def _add_full(self, rested: Rested) -> None:
        """A short rest after a charge tells surface charge on its way out, and no acid: it is left out."""
        if rested.grade == "C":
            return
        row = [rested.state_of_charge, rested.state_half_width]
        if len(self.full_first) < _FIRST:
            self.full_first.append(row)
        self.full_latest = [*self.full_latest, row][-_LATEST:]

    def legs(self) -> list[Leg]:
        """Legs that count, oldest first."""
        legs: list[Leg] = []
        chained = False
        for before, rest in zip(self.rests[:-1], self.rests[1:], strict=True):
            if rest[6]:
                legs.append(Leg(before[2], before[3], rest[2], rest[3], rest[4], rest[5], chained))
            chained = bool(rest[6])
        return legs

    @property
    def span(self) -> float:
        """Between the lowest and the highest state of charge of rests that bound a leg."""
        states = [state for leg in self.legs() for state in (leg.state, leg.next_state)]
        return max(states) - min(states) if states else 0.0

    def layered(self, now_ms: int, days: float) -> bool:
        """Whether it has not gassed for so long that the acid may lie in layers."""
        since = self.gassed_at_ms if self.gassed_at_ms is not None else self.began_ms
        return since is not None and now_ms - since > days * DAY_MS

    def when_full(self) -> tuple[float, float, float, float] | None:
        """State of charge of a proven full bank: at first, lately, the half width of the latter, and that of their
        difference; or None."""
        if len(self.full_latest) < _LATEST:
            return None
        first = sorted(row[0] for row in self.full_first)[len(self.full_first) // 2]
        latest = sorted(row[0] for row in self.full_latest)[_LATEST // 2]
        half, before = (max(row[1] for row in rows) for rows in (self.full_latest, self.full_first))
        # The middle one of three has about two thirds of the error of each (normal errors).
        return first, latest, half, 0.67 * hypot(half, before)

    def to_plain(self) -> dict[str, Any]:
        return dict(vars(self))

    @staticmethod
    def from_plain(plain: dict[str, Any]) -> AcidRests:
        return AcidRests(**plain)
