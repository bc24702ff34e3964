"""What the temperature of the blocks ages them by."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.drawn_up import tell
from loggerd.analysis.findings.heat_formulas import ageing_rate
from loggerd.analysis.findings.heat_warmth import Warmth
from loggerd.analysis.frames import DAY_MS
from loggerd.model.finding import Finding, Grade


@dataclass
class _LifeState:
    month: int = -1
    rate: float = 0.0
    warmth: float = 0.0
    count: int = 0
    months: list[list[float]] = field(default_factory=list)
    """Sum of rates, sum of temperatures and frames of each of the last twelve months."""
    verdict: str = ""


class Ageing:
    """Mean ageing rate of the last twelve months; rates are averaged, not temperatures."""

    def __init__(self, ground: Ground) -> None:
        del ground
        self.state = _LifeState()

    def push(self, moment: Moment, warmth: Warmth | None) -> list[Finding]:
        state, frame = self.state, moment.frame
        found: list[Finding] = []
        month = frame.start_ms // (30 * DAY_MS)
        if month != state.month:
            if state.count:
                state.months = [*state.months[-11:], [state.rate, state.warmth, state.count]]
                found = self._judge(moment)
            state.month, state.rate, state.warmth, state.count = month, 0.0, 0.0, 0
        if warmth is not None:
            state.rate += ageing_rate(warmth.mean, moment.limits["life_halving_kelvin"])
            state.warmth += warmth.mean
            state.count += 1
        return found

    def _judge(self, moment: Moment) -> list[Finding]:
        state = self.state
        frames = sum(one[2] for one in state.months)
        if len(state.months) < 12:
            return []
        rate = sum(one[0] for one in state.months) / frames
        mean = sum(one[1] for one in state.months) / frames
        seen = "fast" if rate > moment.limits["ageing_rate_watch"] else "usual"
        if seen == state.verdict and state.month % 12:
            return []
        state.verdict = seen
        reason = f"mean of the blocks {mean:.1f} °C over twelve months; the mean of the rates counts"
        return [tell(moment.frame, "heat.life", seen, reason, grade=Grade.INFERRED, value=rate)]

    def to_plain(self) -> dict[str, Any]:
        return dict(vars(self.state))

    def load_plain(self, plain: dict[str, Any]) -> None:
        self.state = _LifeState(**plain)
