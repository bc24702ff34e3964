"""Swings of a bank's charge between turning points: discharges and the charges that answer them, at frames' grain.

A turning point stands once the charge has moved back from it by the gate. Frames, not phases, carry it, so that
clouds and motor starts do not cut a discharge in pieces. It makes no findings, only events.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.events import Swing
from loggerd.analysis.frames import Frame
from loggerd.model.finding import Finding

GATE = 0.02
"""Share of the rated amp-hours by which the charge must turn back."""


@dataclass
class _Leg:
    """Sums since a turning point: `net` signed [Ah], `warmth` in degree-milliseconds over `warm_ms`."""

    start_ms: int
    end_ms: int
    out: float = 0.0
    back: float = 0.0
    gap_ms: int = 0
    warmth: float = 0.0
    warm_ms: int = 0
    from_full: str = ""

    @property
    def net(self) -> float:
        return self.back - self.out

    def add(self, frame: Frame) -> None:
        moved, celsius = frame.amp_hours, frame.celsius
        if moved < 0:
            self.out -= moved
        else:
            self.back += moved
        self.gap_ms += frame.unread_ms
        if not isnan(celsius):
            covered_ms = frame.covered_ms
            self.warmth += celsius * covered_ms
            self.warm_ms += covered_ms
        self.end_ms = frame.end_ms

    def join(self, other: _Leg) -> None:
        """Add what followed, which begins anew there."""
        self.out += other.out
        self.back += other.back
        self.gap_ms += other.gap_ms
        self.warmth += other.warmth
        self.warm_ms += other.warm_ms
        self.from_full = other.from_full or self.from_full
        self.end_ms = other.start_ms = other.end_ms
        other.out = other.back = other.warmth = 0.0
        other.gap_ms = other.warm_ms = 0
        other.from_full = ""


class Swings:
    """Zig-zag over the net charge. `_leg` runs up to the latest extreme, `_after` from there to now."""

    def __init__(self, ground: Ground) -> None:
        self._gate = GATE * ground.bank.rated_amp_hours
        self._sign = 0
        self._leg: _Leg | None = None
        self._after: _Leg | None = None

    def push(self, moment: Moment) -> list[Finding]:
        frame, full = moment.frame, moment.since_full
        if frame.after_unknown:
            self._sign, self._leg, self._after = 0, None, None
        if self._leg is None or self._after is None:
            self._leg, self._after = (_Leg(frame.start_ms, frame.start_ms) for _ in range(2))
        after = self._after
        after.add(frame)
        if full is not None and full.at_ms == frame.end_ms:
            after.from_full = "proven" if full.proven else "likely"
        net = after.net
        # At a new extreme what came after the last one belongs to the leg.
        if self._sign == 0:
            if abs(net) >= self._gate:
                self._sign = 1 if net > 0 else -1
                self._leg.join(after)
        elif net * self._sign >= 0:
            self._leg.join(after)
        elif abs(net) >= self._gate:
            self._turn(moment)
        return []

    def _turn(self, moment: Moment) -> None:
        assert self._leg is not None and self._after is not None
        leg = self._leg
        charge = self._sign > 0
        moment.events.append(
            Swing(
                "charge" if charge else "discharge",
                leg.start_ms,
                leg.end_ms,
                leg.out,
                leg.back,
                leg.gap_ms,
                "" if charge else leg.from_full,
                leg.warmth / leg.warm_ms if leg.warm_ms else None,
            )
        )
        # A bank that was full at the end of the charge begins its discharge full.
        full = (self._after.from_full or leg.from_full) if charge else ""
        self._leg, self._sign = self._after, -self._sign
        self._leg.from_full = full
        self._after = _Leg(self._leg.end_ms, self._leg.end_ms)

    def to_plain(self) -> dict[str, Any]:
        return {
            "sign": self._sign,
            "leg": dict(vars(self._leg)) if self._leg else None,
            "after": dict(vars(self._after)) if self._after else None,
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._sign = plain["sign"]
        self._leg = _Leg(**plain["leg"]) if plain["leg"] else None
        self._after = _Leg(**plain["after"]) if plain["after"] else None
