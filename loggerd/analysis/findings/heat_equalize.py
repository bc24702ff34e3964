"""Equalizing: whether the blocks ask for it, and whether it brought them together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.drawn_up import figures, tell
from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.findings.events import BlocksCompared, ChargeEnded
from loggerd.analysis.findings.heat_warmth import Warmth
from loggerd.analysis.frames import DAY_MS
from loggerd.model.finding import Finding

_KEPT = 3
_LEAST_MS = 3_600_000
_SHORT_SHARE = 0.6
"""Of a cell's 2 V, below its peers: no lack of charge but a cell that is dead."""
_EFFECT = 0.2
"""Share by which the spread must have fallen."""


@dataclass
class _State:
    spreads: list[float] = field(default_factory=list)
    """Largest less smallest rested voltage of the blocks after full charges [V per cell], the last ones."""
    lowest: float = 0.0
    verdict: str = ""
    at_ms: int | None = None
    before: float | None = None
    after: list[float] = field(default_factory=list)


class Equalize:
    """Judges when the blocks were compared; looks for equalizing charges among the charges."""

    def __init__(self, ground: Ground) -> None:
        bank = ground.bank
        self._sealed = bank.type.sealed
        self._short_volts = -_SHORT_SHARE * 2.0 / bank.cells_per_block
        self.state = _State()

    def push(self, moment: Moment, warmth: Warmth | None) -> list[Finding]:
        found: list[Finding] = []
        for event in moment.events:
            if isinstance(event, ChargeEnded):
                self._look(event, moment)
            elif isinstance(event, BlocksCompared):
                spread = _spread(event.rest)
                if spread is not None:
                    found += self._compared(spread, event, moment, warmth)
        return found

    def _look(self, charge: ChargeEnded, moment: Moment) -> None:
        """A charge held well above absorption for an hour was an equalizing one."""
        limits, held = moment.limits, charge.held_volts_per_cell
        if held is None or self._sealed:
            return
        warm = limits["reference_celsius"] if charge.celsius is None else charge.celsius
        shift = limits["temperature_slope"] * (warm - limits["reference_celsius"])
        least = 0.5 * (limits["absorption_volts_per_cell"] + limits["equalize_volts_per_cell"]) + shift
        if held < least or charge.absorption_ms < _LEAST_MS:
            return
        state = self.state
        if state.at_ms is None or not state.after:
            state.before = median(state.spreads) if state.spreads else state.before
        state.at_ms, state.after, state.spreads = charge.end_ms, [], []

    def _compared(self, spread: float, event: BlocksCompared, moment: Moment, warmth: Warmth | None) -> list[Finding]:
        state = self.state
        known = [value for value in event.rest if value is not None]
        state.lowest = min(known)
        state.spreads = [*state.spreads[1 - _KEPT :], spread]
        found = self._effect(spread, event, moment)
        if len(state.spreads) < _KEPT:
            return found
        seen, reason = self._advice(moment, warmth)
        if seen == state.verdict:
            return found
        state.verdict = seen
        details = figures(days_since_equalizing=self._days_since(event.at_ms), lowest_block_volts=state.lowest)
        value = 1000.0 * median(state.spreads)
        return [*found, tell(moment.frame, "heat.equalize", seen, reason, value=value, details=details)]

    def _days_since(self, at_ms: int) -> float | None:
        return None if self.state.at_ms is None else (at_ms - self.state.at_ms) / DAY_MS

    def _advice(self, moment: Moment, warmth: Warmth | None) -> tuple[str, str]:
        state, limits = self.state, moment.limits
        spread, limit = median(state.spreads), limits["equalize_spread_volts_per_cell"]
        words = (
            f"rested after full charges the blocks differ by {1000 * spread:.0f} mV per cell ({1000 * limit:.0f} ask"
        )
        if spread <= limit:
            return "not_needed", f"{words} for equalizing)"
        if self._sealed:
            return "not_this_type", f"{words} for equalizing flooded blocks); these are sealed"
        if state.lowest < self._short_volts:
            return "block_first", f"{words} for equalizing), but one block lies {-state.lowest:.2f} V per cell below"
        if warmth is not None and warmth.high > limits["charge_celsius_resume"]:
            return "too_warm", f"{words} for equalizing), but the hottest block has {warmth.high:.0f} °C"
        return "advisable", f"{words} for equalizing)"

    def _effect(self, spread: float, event: BlocksCompared, moment: Moment) -> list[Finding]:
        """Told when three comparisons have followed an equalizing charge."""
        state = self.state
        if state.at_ms is None or state.before is None or event.at_ms < state.at_ms:
            return []
        state.after = [*state.after, spread]
        if len(state.after) < _KEPT:
            return []
        before, after = state.before, median(state.after)
        seen = "no_effect"
        if after < before * (1.0 - _EFFECT):
            seen = "helped"
        elif max(before, after) <= moment.limits["equalize_spread_volts_per_cell"]:
            seen = "nothing_to_mend"
        state.before = None
        reason = f"the blocks differed by {1000 * before:.0f} mV per cell before and {1000 * after:.0f} mV after"
        details = figures(spread_before_volts=before, spread_after_volts=after)
        band = (1000.0 * (before - max(state.after)), 1000.0 * (before - min(state.after)))
        change = 1000.0 * (before - after)
        told = tell(
            moment.frame,
            "heat.equalize_effect",
            seen,
            reason,
            value=change,
            band=band,
            since_ms=state.at_ms,
            details=details,
        )
        return [told]

    def to_plain(self) -> dict[str, Any]:
        return dict(vars(self.state))

    def load_plain(self, plain: dict[str, Any]) -> None:
        self.state = _State(**plain)


def _spread(deviations: Sequence[float | None]) -> float | None:
    known = [value for value in deviations if value is not None]
    return max(known) - min(known) if len(known) > 1 else None
