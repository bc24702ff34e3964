"""Temperatures of the blocks that can be believed, and whether they are too hot to charge, or at all."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from math import isnan
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.drawn_up import tell
from loggerd.analysis.frames import DAY_MS, Frame
from loggerd.model.finding import Finding

_CHARGING = 0.005
"""Share of the rated amp-hours above which a current is a charge."""
_HOT_FRAMES = 3
_LOST_MS = 7 * DAY_MS
"""So long a block is taken to be hot whose probe said so last, and says nothing now (own choice)."""
_PROBE_KELVIN = 0.5
"""What a probe may be wrong by where no accuracy is stated."""


@dataclass(slots=True)
class Warmth:
    """Temperatures of the blocks in a frame, those that can be believed. `hottest` is the block's number."""

    mean: float
    high: float
    low: float
    hottest: int

    @staticmethod
    def of(celsius: Sequence[float], doubted: Collection[int]) -> Warmth | None:
        """Of temperatures by block, NaN where not read; None without any. `doubted`: blocks whose probes are not
        believed."""
        if doubted:
            known = [value for block, value in enumerate(celsius, 1) if not isnan(value) and block not in doubted]
        else:
            known = [value for value in celsius if not isnan(value)]
        if not known:
            return None
        high = max(known)
        return Warmth(sum(known) / len(known), high, min(known), celsius.index(high) + 1)


@dataclass
class _HotState:
    """`hot_block`: the hottest while a block is too hot, and `hot_ms` when it was seen so last."""

    verdict: str = ""
    frames: int = 0
    since_ms: int = 0
    hot_block: int = 0
    hot_ms: int = 0


class HighTemperature:
    """Too hot to go on charging, or too hot at all; over again below the temperature at which charging may go on."""

    def __init__(self, ground: Ground) -> None:
        self._charging = _CHARGING * ground.bank.rated_amp_hours
        self._accuracy = ground.accuracy
        self.state = _HotState()

    def push(self, moment: Moment, warmth: Warmth | None, celsius: Sequence[float]) -> list[Finding]:
        """`celsius`: by block, NaN where not read or not believed."""
        if warmth is None:
            return []
        state, limits, frame = self.state, moment.limits, moment.frame
        seen = self._seen(frame, warmth, limits)
        if seen != "normal":
            state.hot_block, state.hot_ms = warmth.hottest, frame.end_ms
        if seen == state.verdict or (seen == "normal" and not self._over(frame, warmth, celsius, limits)):
            state.frames = 0
            return []
        if state.frames == 0:
            state.since_ms = frame.start_ms
        state.frames += 1
        if state.frames < _HOT_FRAMES:
            return []
        quiet = state.verdict == ""
        state.verdict, state.frames = seen, 0
        reason = f"block {warmth.hottest} is the hottest, {warmth.high:.1f} °C; the current is {frame.amps:+.1f} A"
        if quiet and seen == "normal":
            reason = f"the hottest block, {warmth.hottest}, has {warmth.high:.1f} °C"
        return [tell(frame, "heat.high", seen, reason, value=warmth.high, since_ms=state.since_ms)]

    def _seen(self, frame: Frame, warmth: Warmth, limits: Mapping[str, float]) -> str:
        if warmth.high > limits["celsius_no_charge"]:
            return "too_hot"
        # Sources disagree on this limit by more than that: what a probe may be wrong by is no reason to stop a charge.
        if warmth.high - self._error(warmth.hottest) > limits["charge_celsius_high"] and frame.amps > self._charging:
            return "too_hot_to_charge"
        return "normal"

    def _error(self, block: int) -> float:
        accuracy = self._accuracy.get(f"block_{block}_celsius")
        return accuracy.offset if accuracy is not None and accuracy.offset is not None else _PROBE_KELVIN

    def _over(self, frame: Frame, warmth: Warmth, celsius: Sequence[float], limits: Mapping[str, float]) -> bool:
        """Whether all blocks have cooled, the one that was hot among them: a probe that gave out in the heat does not
        tell."""
        state = self.state
        if state.verdict in ("", "normal"):
            return True
        lost = isnan(celsius[state.hot_block - 1]) and frame.end_ms - state.hot_ms < _LOST_MS
        return not lost and warmth.high < limits["charge_celsius_resume"]

    def to_plain(self) -> dict[str, Any]:
        return dict(vars(self.state))

    def load_plain(self, plain: dict[str, Any]) -> None:
        self.state = _HotState(**plain)
