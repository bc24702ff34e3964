"""Does the bank get full? Follows charges frame by frame, and keeps the account since the bank was last full.

Proof of a full charge: the current is small and neither it nor the voltage still moves, while the charging voltage is
held; own study by simulation, where a fixed small current alone was fooled by one charge in three.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.events import BecameFull, ChargeEnded, TailSettled
from loggerd.analysis.findings.full_charge_blocks import block_behind
from loggerd.analysis.findings.full_charge_counts import Mark, Totals
from loggerd.analysis.findings.full_charge_follow import Charge, Surroundings
from loggerd.analysis.findings.full_charge_reading import Reading, offset_amps, reading_at
from loggerd.analysis.findings.full_charge_returns import Returns, returned_in_full
from loggerd.analysis.findings.full_charge_set_points import SetPoints
from loggerd.analysis.findings.full_charge_specs import DAYS_SINCE, SPECS
from loggerd.analysis.findings.full_charge_tail import FRAMES_AN_HOUR
from loggerd.analysis.findings.full_charge_telling import Said, Teller, cannot_tell
from loggerd.analysis.findings.full_charge_verdict import told_of, verdict_of
from loggerd.analysis.frames import DAY_MS, FRAME_MS
from loggerd.model.finding import Finding, Grade

__all__ = ["SPECS", "FullCharge"]

_GATE = 0.02
"""Share of the rated amp-hours that must go out to end a charge."""
_STILL_FULL = 0.0025
"""A full bank on charge is full again when less than this share of the rated amp-hours is out."""
_LEAST_OUT = 0.05
_HOUR_MS = 3_600_000
_BEGIN = 0.002
_IDLE = 0.0003
_FLOAT_MOVES = 0.004


class FullCharge:
    """See the module. `_last` marks when the bank was last full, proven or likely; `_proven` when that was proven;
    `_top` the end of the last charge that came near full, `_between` that of the last one proven full.
    """

    def __init__(self, ground: Ground) -> None:
        self._ground = ground
        self._rated = ground.bank.rated_amp_hours
        self._cells = ground.bank.cells_in_series
        self._totals = Totals()
        self._charge: Charge | None = None
        self._at_top: Mark | None = None
        self._last: Mark | None = None
        self._proven: Mark | None = None
        self._top: Mark | None = None
        self._between: Mark | None = None
        self._first_ms = 0
        self._day = -1
        self._recent: list[float] = []
        self._limits: Mapping[str, float] | None = None
        self._idle = 0.0
        """A current up to which nothing can be told of a charge [A], by these limits."""
        self._set_points = SetPoints(ground)
        self._returns = Returns(ground)
        self._teller = Teller()

    def push(self, moment: Moment) -> list[Finding]:
        frame = moment.frame
        found: list[Finding] = []
        if frame.after_unknown or frame.missed >= FRAMES_AN_HOUR:
            found.extend(self._interrupted(moment))
        self._first_ms = self._first_ms or frame.start_ms
        self._totals.add(frame)
        reading = reading_at(moment, self._cells)
        if reading is not None:
            found.extend(self._follow(reading, moment))
        if self._last is not None:
            moment.since_full = self._totals.since(self._last)
        day = frame.end_ms // DAY_MS
        if day != self._day:
            if self._day >= 0:
                found.extend(self._new_day(moment))
            self._day = day
        return found

    # -- a charge --

    def _follow(self, reading: Reading, moment: Moment) -> list[Finding]:
        frame, limits = moment.frame, moment.limits
        if limits is not self._limits:
            self._limits, self._idle = limits, max(_IDLE * self._rated, offset_amps(self._ground, limits))
        idle = self._idle
        on_charge = reading.amps > idle or self._floats(reading, idle, moment)
        charge = self._charge
        if charge is None:
            if not on_charge or (reading.amps <= _BEGIN * self._rated and reading.amps > idle):
                return []
            charge = self._charge = Charge(frame.start_ms, frame.session, frame.start_ms)
            self._at_top = self._totals.mark()
        around = Surroundings(self._rated, limits, self._set_points.learned, self._factor(), self._missing(moment))
        charge.add(reading, frame.amp_hours, frame.unread_ms, around)
        charge.idle_frames = 0 if on_charge else charge.idle_frames + 1
        if charge.top_ms == reading.end_ms:
            self._at_top = self._totals.mark()
        self._mark_full(charge, reading, on_charge, moment)
        gone = charge.top_net - charge.net >= _GATE * self._rated
        if gone or charge.idle_frames >= FRAMES_AN_HOUR:
            return self._end(moment)
        return []

    def _floats(self, reading: Reading, idle: float, moment: Moment) -> bool:
        """A current too small to tell, at a voltage that stands still far above that of rest: a charger holds it."""
        recent = self._recent
        recent.append(reading.volts)
        if len(recent) > FRAMES_AN_HOUR:
            del recent[0]
        if abs(reading.amps) > idle or len(recent) < FRAMES_AN_HOUR:
            return False
        stands = abs(reading.volts - recent[0]) <= _FLOAT_MOVES
        return stands and reading.at_reference >= _lowest_float(moment.limits)

    def _factor(self) -> float | None:
        """Charged for each Ah taken since the bank was last at the top."""
        if self._top is None:
            return None
        out = self._totals.out - self._top.out
        return (self._totals.put_in - self._top.put_in) / out if out >= _LEAST_OUT * self._rated else None

    def _missing(self, moment: Moment) -> float:
        """What is missing at the least since the bank was last at the top, for all that the zero can be wrong by."""
        if self._top is None:
            return 0.0
        totals, top = self._totals, self._top
        hours = (moment.frame.end_ms - top.at_ms) / _HOUR_MS
        net_out = totals.out - top.out - totals.put_in + top.put_in
        return max(net_out - hours * offset_amps(self._ground, moment.limits), 0.0)

    def _mark_full(self, charge: Charge, reading: Reading, on_charge: bool, moment: Moment) -> None:
        now = reading.end_ms
        if charge.proven_ms == now:
            self._became_full(charge, now, True, moment)
            self._look_at_blocks(charge, moment)
            self._mark_proven(charge)
        elif charge.proven_ms is not None:
            if charge.behind is not None and charge.held_ms == now:
                self._look_at_blocks(charge, moment)
            since = self._totals.since(self._last) if self._last is not None else None
            if on_charge and since is not None and since.net_out_amp_hours <= _STILL_FULL * self._rated:
                self._mark_proven(charge)
        elif charge.likely_ms == now:
            self._last = self._totals.mark(proven=False)
        if charge.settled_ms == now and charge.proven_ms != now and charge.shape is not None:
            moment.events.append(TailSettled(now, reading.volts, charge.shape.amps, charge.block_celsius))
        if charge.proven_ms is not None or charge.likely_ms is not None:
            self._returns.full_today = True

    def _look_at_blocks(self, charge: Charge, moment: Moment) -> None:
        behind = block_behind(moment.frame, self._ground, moment.limits)
        charge.behind = None if behind is None else [float(behind.block), behind.volts]

    def _mark_proven(self, charge: Charge) -> None:
        """A full charge; but with a block behind, the bank is not full."""
        self._last = self._totals.mark(charge.behind is None, charge.behind is not None)
        if charge.behind is None:
            self._proven = self._last

    def _became_full(self, charge: Charge, at_ms: int, proven: bool, moment: Moment) -> None:
        tail = charge.best_shape.amps if charge.best_shape is not None else 0.0
        volts = charge.last_held_volts if charge.last_held_volts is not None else charge.highest or 0.0
        settled, celsius, shift = charge.left_at_proof is None, charge.block_celsius, charge.last_shift
        moment.events.append(BecameFull(at_ms, proven, charge.start_ms, volts, tail, celsius, shift, settled))

    def _end(self, moment: Moment) -> list[Finding]:
        """The charge is over since its highest point."""
        charge, at_top = self._charge, self._at_top
        assert charge is not None and at_top is not None
        self._charge = self._at_top = None
        least = moment.limits["charge_least_fraction"] * self._rated
        if not charge.held_frames and charge.proven_ms is None and charge.returned < least:
            return []
        verdict, reason = verdict_of(charge, charge.top_ms, self._rated, moment.limits)
        self._tell_event(charge, verdict, moment)
        factor = self._totals_between(self._top, at_top)
        found = self._teller.tell(told_of(charge, verdict, reason, self._rated, {"charge_factor": factor}), moment)
        below = self._set_points.learned or moment.limits["absorption_volts_per_cell"]
        least = moment.limits["float_volts_per_cell"]
        absorption = charge.plateaus.absorption(self._rated, least)
        zero = offset_amps(self._ground, moment.limits)
        floats = charge.plateaus.float_level(self._rated, _lowest_float(moment.limits), below, zero)
        self._set_points.charge_ended(absorption, floats, charge.plateaus.highest, moment)
        found.extend(self._set_points.judge(self._teller, moment))
        self._returns.charge_ended(charge.top_ms, verdict)
        found.extend(self._settle(charge, verdict, at_top, moment))
        return found

    def _settle(self, charge: Charge, verdict: str, at_top: Mark, moment: Moment) -> list[Finding]:
        """New marks at the top of a charge that came near full."""
        came_near = verdict in ("full_proven", "full_likely") or (verdict == "unknown" and charge.held_frames > 0)
        if came_near and charge.gap_ms < FRAMES_AN_HOUR * FRAME_MS:
            if self._top is not None:
                self._returns.keep_account(at_top.since(self._top), at_top.at_ms)
            self._top = at_top
        if verdict != "full_proven":
            return []
        before, self._between = self._between, at_top
        if before is None:
            return []
        return self._returns.factor(at_top.since(before), at_top.at_ms, self._teller, moment)

    def _tell_event(self, charge: Charge, verdict: str, moment: Moment) -> None:
        if verdict == "full_likely" and charge.proven_ms is None and charge.likely_ms is not None:
            self._became_full(charge, charge.likely_ms, False, moment)
        moment.events.append(
            ChargeEnded(
                charge.start_ms,
                charge.top_ms,
                verdict,
                charge.returned,
                charge.highest,
                charge.held_frames * FRAME_MS,
                charge.best_shape.amps if charge.best_shape is not None else None,
                charge.before_limit,
                charge.celsius,
            )
        )

    def _totals_between(self, first: Mark | None, last: Mark) -> float | None:
        """Charge factor between two marks."""
        if first is None or last.out - first.out < _LEAST_OUT * self._rated:
            return None
        return (last.put_in - first.put_in) / (last.out - first.out)

    def _interrupted(self, moment: Moment) -> list[Finding]:
        """A long gap ends a charge; after a pause of unknown length nothing that was counted still holds."""
        charge = self._charge
        found: list[Finding] = []
        if charge is not None:
            charge.gap_ms += moment.frame.missed * FRAME_MS
            if charge.proven_ms is None and charge.likely_ms is None:
                charge.gap_ms += moment.frame.start_ms - charge.start_ms
            found = self._end(moment)
        self._recent = []
        if moment.frame.after_unknown:
            self._last = self._top = self._between = None
            self._returns.break_off()
        return found

    # -- a day --

    def _new_day(self, moment: Moment) -> list[Finding]:
        found = self._teller.tell(self._days_since(moment), moment)
        found.extend(self._returns.day_ended(self._totals, self._teller, moment))
        return found

    def _days_since(self, moment: Moment) -> Said:
        limits, now = moment.limits, moment.frame.end_ms
        name, limit = DAYS_SINCE.name, limits["days_without_full"]
        proven = self._proven
        since_ms = self._first_ms if proven is None else proven.at_ms
        days = (now - since_ms) / DAY_MS
        numbers: dict[str, float | None] = {}
        if proven is not None:
            since = self._totals.since(proven)
            numbers = {"net_out_amp_hours": since.net_out_amp_hours, "out_amp_hours": since.out_amp_hours}
            numbers["gap_hours"] = since.gap_ms / 3_600_000
        if proven is not None and days <= limit:
            net = numbers["net_out_amp_hours"] or 0.0
            reason = f"Since then {net:.0f} Ah more went out than in, by the count."
            return Said(name, "fine", reason, value=days, since_ms=since_ms, numbers=numbers)
        near = max((mark.at_ms for mark in (self._last, self._top) if mark is not None), default=None)
        if near is not None and now - near <= limit * DAY_MS:
            return cannot_tell(
                name, f"A charge {(now - near) / DAY_MS:.1f} days ago came near full, but the current still fell."
            )
        if days <= limit:
            return cannot_tell(name, f"{days:.1f} days are recorded, without a proven full charge so far.")
        if proven is not None and self._returned_in_full(proven, now, limits):
            return cannot_tell(
                name, f"No charge of {days:.0f} days was proven full, but more came back than the bank can need."
            )
        ever = "recorded" if proven is None else "since the last one"
        reason = f"No charge in the {days:.0f} days {ever} was proven full or near it; {limit:g} days are the limit."
        verdict = "long_overdue" if days > limits["days_until_sulfation"] else "overdue"
        return Said(name, verdict, reason, Grade.OBSERVED, days, since_ms=since_ms, numbers=numbers)

    def _returned_in_full(self, proven: Mark, now: int, limits: Mapping[str, float]) -> bool:
        since = self._totals.since(proven)
        error = offset_amps(self._ground, limits) * (now - proven.at_ms) / _HOUR_MS
        return returned_in_full(since.net_out_amp_hours, since.out_amp_hours, error, limits)

    # -- state --

    def to_plain(self) -> dict[str, Any]:
        marks = (self._at_top, self._last, self._proven, self._top, self._between)
        return {
            "totals": dict(vars(self._totals)),
            "charge": None if self._charge is None else self._charge.to_plain(),
            "marks": [None if one is None else one.to_plain() for one in marks],
            "first_ms": self._first_ms,
            "day": self._day,
            "recent": list(self._recent),
            "set_points": self._set_points.to_plain(),
            "returns": self._returns.to_plain(),
            "told": self._teller.last,
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._totals = Totals(**plain["totals"])
        self._charge = None if plain["charge"] is None else Charge.from_plain(plain["charge"])
        marks = [Mark.from_plain(one) for one in plain["marks"]]
        self._at_top, self._last, self._proven, self._top, self._between = marks
        self._first_ms, self._day, self._recent = plain["first_ms"], plain["day"], list(plain["recent"])
        self._set_points.load_plain(plain["set_points"])
        self._returns.load_plain(plain["returns"])
        self._teller = Teller(plain["told"])


def _lowest_float(limits: Mapping[str, float]) -> float:
    """Below this [V per cell, at reference] a voltage that stands is rather that of a bank at rest than float."""
    return (limits["rest_volts_full"] + limits["float_volts_per_cell"]) / 2
