"""The coldest block against the temperature at which its acid freezes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.drawn_up import tell
from loggerd.analysis.findings.events import Rested
from loggerd.analysis.findings.heat_formulas import freezing_celsius
from loggerd.analysis.findings.heat_warmth import Warmth
from loggerd.analysis.frames import DAY_MS
from loggerd.model.finding import Finding, Grade

_STATE_DOUBT = 0.1
"""A state of charge counted from a full charge may be wrong by this."""
_NEAR_KELVIN = 3.0
"""So little above freezing at the likely state of charge is near, whatever the doubt."""
_THAWED_KELVIN = 1.0
"""What was told as freezing stands until it is this much warmer (own choice)."""
_OVER_KELVIN, _FAR_KELVIN = 3.0, 10.0
"""Near is over when the coldest block was this much more above both limits for a day, since the night's frost comes
back; or at once this far above them, as after a charge (own choice)."""


@dataclass
class _FreezeState:
    verdict: str = ""
    told_day: int = -1
    rest_state: float | None = None
    rest_doubt: float = 0.0
    rest_ms: int = 0
    moved: float = 0.0
    cold_ms: int = 0


class Freezing:
    """Coldest block against where the acid freezes at the lowest state of charge that can be."""

    def __init__(self, ground: Ground) -> None:
        self._rated = ground.bank.rated_amp_hours
        self.state = _FreezeState()

    def push(self, moment: Moment, warmth: Warmth | None) -> list[Finding]:
        state, frame = self.state, moment.frame
        state.moved += frame.amp_hours
        for event in moment.events:
            if isinstance(event, Rested):
                state.rest_state, state.rest_doubt = event.state_of_charge, event.state_half_width
                state.rest_ms, state.moved = event.at_ms, 0.0
        if warmth is None or (warmth.low > 0.0 and not state.verdict):
            return []
        charge = self._charge(moment)
        if charge is None:
            return self._unknown(moment, warmth)
        likely, least = charge
        point, warmest = freezing_celsius(likely, moment.limits), freezing_celsius(least, moment.limits)
        margin = warmth.low - point
        above = min(margin - _NEAR_KELVIN, warmth.low - warmest)
        thawed = _THAWED_KELVIN if state.verdict == "freezing" else 0.0
        seen = "freezing" if margin < thawed else "near" if above < 0.0 else "safe"
        if above < _OVER_KELVIN:
            state.cold_ms = frame.end_ms
        if seen == "safe" and state.verdict in ("near", "freezing"):
            still = above < _FAR_KELVIN and frame.end_ms - state.cold_ms < DAY_MS
            seen = "near" if still else "safe"
        if seen == state.verdict or (seen == "safe" and not state.verdict):
            return []
        if seen != "freezing" and frame.start_ms // DAY_MS == state.told_day and state.verdict != "near":
            return []
        state.verdict, state.told_day = ("" if seen == "safe" else seen), frame.start_ms // DAY_MS
        reason = (
            f"coldest block {warmth.low:.1f} °C; at {100 * likely:.0f} % charge (not under {100 * least:.0f} %) the "
            f"acid freezes at {point:.0f} °C"
        )
        grade = Grade.INFERRED
        band = (warmth.low - warmest, margin)
        return [tell(frame, "heat.freezing", seen, reason, grade=grade, value=margin, band=band)]

    def _charge(self, moment: Moment) -> tuple[float, float] | None:
        """Likely and lowest state of charge, from the later of the last rest and the last full charge."""
        state, full = self.state, moment.since_full
        if full is not None and full.at_ms >= state.rest_ms:
            likely = 1.0 - max(full.net_out_amp_hours, 0.0) / self._rated
            return likely, likely - _STATE_DOUBT
        if state.rest_state is None:
            return None
        likely = state.rest_state + min(state.moved, 0.0) / self._rated
        return likely, likely - state.rest_doubt

    def _unknown(self, moment: Moment, warmth: Warmth) -> list[Finding]:
        cold = warmth.low < moment.limits["freezing_celsius_discharged"]
        if not cold or self.state.verdict == "cannot_tell":
            return []
        self.state.verdict = "cannot_tell"
        reason = f"coldest block {warmth.low:.1f} °C; needs a rest or a full charge, to know the state of charge"
        return [tell(moment.frame, "heat.freezing", "cannot_tell", reason, grade=Grade.CANNOT_TELL)]

    def to_plain(self) -> dict[str, Any]:
        return dict(vars(self.state))

    def load_plain(self, plain: dict[str, Any]) -> None:
        self.state = _FreezeState(**plain)
