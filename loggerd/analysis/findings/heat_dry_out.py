"""Drying out: resistance up, current at full charge up, rested voltage up, capacity down; two signs or more count.

Less water makes the acid stronger (rested voltage up) and the path longer (resistance up); drying sealed cells let
more oxygen across (current up). Corrosion raises the resistance alone; sulfation lowers the rested voltage.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, TypeGuard

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.drawn_up import figures, tell
from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.findings.events import (
    BecameFull,
    Capacity,
    ChargeEnded,
    Event,
    LightlyLoaded,
    Resistance,
    Rested,
    TailSettled,
)
from loggerd.analysis.findings.heat_formulas import full_current
from loggerd.analysis.findings.weekly import WEEK_MS
from loggerd.model.finding import Finding, Grade

_BASELINE_WEEKS = 6
_RECENT_WEEKS = 3
_STALE_WEEKS = 4
"""After so many weeks without a new value, what a sign said last is no longer what it says now."""
SIGNS = ("ohms", "rest_volts", "light_volts", "tail_amps", "end_amps", "capacity")
_LONG_HELD_MS = 3 * 3_600_000
"""After so long at the charging voltage what flows is mostly gas, though the charge may not be proven full."""
_WITNESSES = ("tested", "observed", "inferred")


@dataclass
class _Sign:
    """Weekly medians: of the first six weeks, and of the last three."""

    first: list[float] = field(default_factory=list)
    recent: list[float] = field(default_factory=list)
    waiting: list[float] = field(default_factory=list)
    risen_ms: int | None = None
    silent_weeks: int = 0

    def close(self) -> None:
        """The week is over."""
        if not self.waiting:
            self.silent_weeks += 1
            if self.silent_weeks > _STALE_WEEKS:
                self.recent = []
            return
        value, self.waiting, self.silent_weeks = median(self.waiting), [], 0
        if len(self.first) < _BASELINE_WEEKS:
            self.first.append(value)
        else:
            self.recent = [*self.recent[1 - _RECENT_WEEKS :], value]

    @property
    def usual(self) -> float | None:
        return median(self.first) if len(self.first) == _BASELINE_WEEKS else None

    @property
    def lately(self) -> float | None:
        return median(self.recent) if len(self.recent) == _RECENT_WEEKS else None


class DryOut:
    """Compares the last three weeks with the first six, once a week."""

    def __init__(self, ground: Ground) -> None:
        bank = ground.bank
        self._sealed = bank.type.sealed
        self._rated = bank.rated_amp_hours
        self._signs = {name: _Sign() for name in SIGNS}
        self._week = -1
        self._verdict = ""
        self._witness = ""

    def push(self, moment: Moment, water_overdue: bool) -> list[Finding]:
        for event in moment.events:
            self._take(event, moment.limits)
        week = moment.frame.start_ms // WEEK_MS
        if week == self._week:
            return []
        self._week = week
        for sign in self._signs.values():
            sign.close()
        return self._judge(moment, water_overdue)

    def _take(self, event: Event, limits: Mapping[str, float]) -> None:
        signs = self._signs
        if isinstance(event, Resistance) and event.bank_ohms is not None:
            signs["ohms"].waiting.append(event.bank_ohms)
        elif isinstance(event, Rested) and event.after_full and event.after == "charge" and event.grade != "C":
            signs["rest_volts"].waiting.append(event.volts_per_cell)
        elif isinstance(event, LightlyLoaded):
            signs["light_volts"].waiting.append(event.volts_per_cell)
        elif _shows_gas(event) and event.celsius is not None:
            reference = limits["absorption_volts_per_cell"]
            amps = full_current(event.tail_amps, event.celsius, event.volts_per_cell, reference)
            signs["tail_amps"].waiting.append(amps)
        elif isinstance(event, ChargeEnded):
            self._take_end(event, limits)
        elif isinstance(event, Capacity) and event.witness in _WITNESSES:
            # One witness only: the first that spoke.
            self._witness = self._witness or event.witness
            if event.witness == self._witness:
                signs["capacity"].waiting.append(event.amp_hours)
        for sign in signs.values():
            del sign.waiting[:-60]

    def _take_end(self, event: ChargeEnded, limits: Mapping[str, float]) -> None:
        """What flowed at the end of a charge that was held long, full or not: a dry bank gases so much that its charges
        cannot be proven full any more."""
        amps, volts, celsius = event.tail_amps, event.held_volts_per_cell, event.celsius
        if event.absorption_ms >= _LONG_HELD_MS and amps is not None and volts is not None and celsius is not None:
            reference = limits["absorption_volts_per_cell"]
            self._signs["end_amps"].waiting.append(full_current(amps, celsius, volts, reference))

    def _changes(self, limits: Mapping[str, float]) -> dict[str, bool]:
        """Which signs are known, and whether each has moved as it does in a bank that dries."""
        moved: dict[str, bool] = {}
        for name, sign in self._signs.items():
            usual, now = sign.usual, sign.lately
            if usual is None or now is None:
                continue
            moved[name] = {
                "ohms": now > usual * (1.0 + limits["dry_ohms_rise_fraction"]),
                "rest_volts": now > usual + limits["dry_rest_volts_rise"],
                "light_volts": now > usual + limits["dry_rest_volts_rise"],
                "tail_amps": now > usual * limits["dry_tail_factor"] and now > 0.002 * self._rated,
                "end_amps": now > usual * limits["dry_tail_factor"] and now > 0.002 * self._rated,
                "capacity": now < usual * limits["capacity_watch_fraction"],
            }[name]
        return moved

    def _judge(self, moment: Moment, water_overdue: bool) -> list[Finding]:
        moved = self._changes(moment.limits)
        for name, sign in self._signs.items():
            if moved.get(name):
                sign.risen_ms = sign.risen_ms or moment.frame.end_ms
            else:
                sign.risen_ms = None
        seen = self._seen(moved, water_overdue)
        if not seen or seen == self._verdict:
            return []
        self._verdict = seen
        since = min((sign.risen_ms for sign in self._signs.values() if sign.risen_ms is not None), default=None)
        details = figures(**{f"{name}_{when}": getattr(sign, when) for name, sign in self._signs.items()
                             for when in ("usual", "lately")})  # fmt: skip
        words = "; ".join(
            f"{_WORDS[name]} {sign.usual:.4g} at first, {sign.lately:.4g} now"
            for name, sign in self._signs.items()
            if sign.usual is not None and sign.lately is not None
        )
        reason = f"{words}; forecast of water overdue" if water_overdue and not self._sealed else words
        grade = Grade.INFERRED
        return [tell(moment.frame, "heat.dry_out", seen, reason, grade=grade, since_ms=since, details=details)]

    def _seen(self, moved: Mapping[str, bool], water_overdue: bool) -> str:
        """Resistance must have risen; what else has, tells how sure it is. What was told stands while it has."""
        if "ohms" not in moved or len(moved) < 2:
            return ""
        # Where the voltage at rest, or else nearly, is known and has not risen, the acid has not become stronger.
        acid = moved.get("rest_volts", moved.get("light_volts"))
        if not moved["ohms"] or acid is False:
            return "no_sign"
        others = ["acid"] if acid else []
        # Both are the gas at the end of a charge: one sign.
        if moved.get("tail_amps") or moved.get("end_amps"):
            others.append("gas")
        # A bank whose water is due is one sign; but corrosion raises the resistance of any bank and takes capacity, and
        # where the gas is known not to have risen, nothing but the calendar speaks for water.
        gas = [moved[name] for name in ("tail_amps", "end_amps") if name in moved]
        silent = acid is None and not moved.get("capacity") and (any(gas) or not gas)
        if not self._sealed and water_overdue and silent:
            others.append("water")
        if len(others) > 1 or (others and moved.get("capacity")):
            return "likely"
        if others or self._verdict in ("suspected", "likely"):
            return self._verdict if self._verdict == "likely" else "suspected"
        return "no_sign"

    def to_plain(self) -> dict[str, Any]:
        return {
            "signs": {name: dict(vars(sign)) for name, sign in self._signs.items()},
            "week": self._week,
            "verdict": self._verdict,
            "witness": self._witness,
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._signs = {name: _Sign(**kept) for name, kept in plain["signs"].items()}
        self._week, self._verdict, self._witness = plain["week"], plain["verdict"], plain["witness"]


def _shows_gas(event: Event) -> TypeGuard[BecameFull | TailSettled]:
    """Whether its current is what gas takes at the end of a proven full charge."""
    return isinstance(event, TailSettled) or (isinstance(event, BecameFull) and event.proven and event.settled)


_WORDS = {
    "ohms": "resistance [ohm]",
    "rest_volts": "rested voltage [V per cell]",
    "light_volts": "voltage under light loads soon after a charge [V per cell]",
    "tail_amps": "current at full charge [A at 25 °C and the charging voltage]",
    "end_amps": "current at the end of long charges [A at 25 °C and the charging voltage]",
    "capacity": "capacity [Ah]",
}
