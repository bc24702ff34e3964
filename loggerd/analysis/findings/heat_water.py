"""Water that overcharge takes, between proven full charges, and when the next watering is due."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.drawn_up import figures, tell
from loggerd.analysis.findings.events import BecameFull
from loggerd.analysis.findings.heat_formulas import water_grams, water_half_width
from loggerd.analysis.frames import DAY_MS
from loggerd.model.finding import Finding, Grade

_LEAST_DAYS = 21.0
_EVERY_DAYS = 30
_MEMORY_DAYS = 60.0
_GAIN = 0.01
_OFFSET = 0.0005
"""Share of the rated amp-hours that a zero may be off where no accuracy is stated."""
_MOST_GAPS = 0.05


@dataclass
class _State:
    """Sums since the last proven full charge (open), and over the proven stretches since `begin_ms`."""

    full_ms: int | None = None
    net: float = 0.0
    moved: float = 0.0
    gap_ms: int = 0
    begin_ms: int | None = None
    overcharge: float = 0.0
    throughput: float = 0.0
    proven_ms: int = 0
    per_day: float | None = None
    told_ms: int | None = None
    verdict: str = ""
    by_log: bool = False
    """Waterings are told in the log book, so that none is taken for done until it is told."""


class Water:
    """Overcharge of proven stretches as water; corrosion and self-discharge are in it, so it is rather too much."""

    def __init__(self, ground: Ground) -> None:
        bank = ground.bank
        self._rated, self._strings = bank.rated_amp_hours, bank.strings
        self._sealed = bank.type.sealed
        accuracy = ground.accuracy.get("amps")
        offset = accuracy.offset if accuracy is not None else None
        self._offset = offset if offset is not None else _OFFSET * bank.rated_amp_hours
        self.state = _State()

    @property
    def overdue(self) -> bool:
        return self.state.verdict == "due"

    def push(self, moment: Moment) -> list[Finding]:
        state, frame = self.state, moment.frame
        told: list[Finding] = []
        if moment.entries and any(entry.kind == "watering" and entry.corrects is None for entry in moment.entries):
            told = self._watered(moment)
        if frame.after_unknown:
            state.full_ms = None
        moved = frame.amp_hours
        state.net += moved
        state.moved += abs(moved)
        state.gap_ms += frame.unread_ms
        events = moment.events
        if not events or not any(isinstance(event, BecameFull) and event.proven for event in events):
            return told
        self._close(frame.end_ms)
        state.full_ms, state.net, state.moved, state.gap_ms = frame.end_ms, 0.0, 0.0, 0
        return told + self._judge(moment)

    def _watered(self, moment: Moment) -> list[Finding]:
        """A watering in the log book: the forecast begins anew, and what was due is no longer."""
        state = self.state
        state.by_log, due = True, state.verdict == "due"
        self._begin_anew(moment.frame.end_ms)
        if not due:
            return []
        state.verdict, state.told_ms = "interval", moment.frame.end_ms
        return [self._tell(moment, "interval", 0.0, 0.0, self._reserve(moment))]

    def _reserve(self, moment: Moment) -> float:
        """What a cell may lose between two waterings [g]."""
        limits = moment.limits
        share = limits["water_margin_fraction"] * limits["water_reserve_grams_per_rated_amp_hour"]
        return share * self._rated / self._strings

    def _close(self, end_ms: int) -> None:
        """A stretch from proven full to proven full: all that went in more than out was overcharge."""
        state = self.state
        if state.full_ms is None or state.gap_ms > _MOST_GAPS * (end_ms - state.full_ms):
            return
        if state.begin_ms is None:
            state.begin_ms = state.full_ms
        span_ms = end_ms - state.full_ms
        state.overcharge += state.net
        state.throughput += state.moved
        state.proven_ms += span_ms
        days = span_ms / DAY_MS
        rate = state.net / days
        weight = min(1.0, days / min(_MEMORY_DAYS, max(state.proven_ms / DAY_MS, days)))
        state.per_day = rate if state.per_day is None else state.per_day + weight * (rate - state.per_day)

    def _judge(self, moment: Moment) -> list[Finding]:
        state, frame = self.state, moment.frame
        if state.per_day is None or state.begin_ms is None or state.proven_ms < _LEAST_DAYS * DAY_MS:
            return []
        grams = self._grams(max(state.overcharge, 0.0), moment)
        # Stretches that no proof closed used water too, at the rate of the others.
        grams *= max((frame.end_ms - state.begin_ms) / state.proven_ms, 1.0)
        hours = state.proven_ms / 3_600_000
        half = water_half_width(self._offset, hours, self._rated, _GAIN, abs(state.overcharge)) / max(
            abs(state.overcharge), 1e-9
        )
        reserve = self._reserve(moment)
        seen = self._verdict(grams, half, reserve)
        again = state.told_ms is None or frame.end_ms - state.told_ms >= _EVERY_DAYS * DAY_MS
        if seen == state.verdict and not again:
            return []
        state.verdict, state.told_ms = seen, frame.end_ms
        finding = self._tell(moment, seen, grams, min(half, 1.0), reserve)
        if seen == "due" and not state.by_log:
            self._begin_anew(frame.end_ms)
        return [finding]

    def _begin_anew(self, at_ms: int) -> None:
        """Water was filled in, or is by the keeper who was told that it is due."""
        state = self.state
        state.begin_ms, state.overcharge, state.throughput, state.proven_ms = at_ms, 0.0, 0.0, 0

    def _verdict(self, grams: float, half: float, reserve: float) -> str:
        if half > 1.0:
            return "cannot_tell"
        if self._sealed:
            return "sealed"
        return "due" if grams >= reserve else "interval"

    def _grams(self, amp_hours: float, moment: Moment) -> float:
        limits = moment.limits
        return water_grams(limits["water_grams_per_amp_hour"], amp_hours / self._strings, limits["recombination"])

    def _tell(self, moment: Moment, seen: str, grams: float, half: float, reserve: float) -> Finding:
        state, frame = self.state, moment.frame
        assert state.begin_ms is not None and state.per_day is not None
        days = (frame.end_ms - state.begin_ms) / DAY_MS
        words = f"{state.overcharge:.0f} Ah of overcharge in {state.proven_ms / DAY_MS:.0f} days between full charges"
        spans = ((state.begin_ms, frame.end_ms),)
        if seen == "cannot_tell":
            reason = f"{words}: less than the zero offset of the current sensor may add; needs a better zero"
            return tell(frame, "heat.water", seen, reason, grade=Grade.CANNOT_TELL, spans=spans)
        per_day = self._grams(max(state.per_day, 0.0), moment)
        interval = reserve / per_day if per_day > 0.0 and not self._sealed else None
        details = figures(
            days=days,
            overcharge_amp_hours=state.overcharge,
            grams_per_day=per_day,
            days_between_waterings=interval,
            days_left=(reserve - grams) / per_day if interval is not None else None,
        )
        reason = f"{words}; the band is that of the current sensor's zero"
        band = (grams * (1.0 - half), grams * (1.0 + half))
        since = state.begin_ms
        return tell(
            frame, "heat.water", seen, reason, grade=Grade.INFERRED, value=grams, band=band, since_ms=since,
            spans=spans, details=details,
        )  # fmt: skip

    def to_plain(self) -> dict[str, Any]:
        return dict(vars(self.state))

    def load_plain(self, plain: dict[str, Any]) -> None:
        self.state = _State(**plain)
