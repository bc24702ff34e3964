"""Blocks that are warmer or colder than the others, by the means of whole days."""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass, field, replace
from math import isnan, sqrt
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.drawn_up import figures, tell
from loggerd.analysis.frames import DAY_MS
from loggerd.model.finding import Finding

_EVERY = 3
"""Frames of which one is taken: a quarter of an hour."""
_LEAST_FRAMES = 24
"""Frames that make a day's mean of a block: six hours."""


@dataclass
class _SpreadState:
    day: int = -1
    totals: list[float] = field(default_factory=list)
    counts: list[int] = field(default_factory=list)
    verdict: str = ""
    pending: str = ""
    run: int = 0
    since_ms: int = 0
    block: int = 0


class TemperatureSpread:
    """Daily means of the blocks against each other: equal times, equal currents."""

    def __init__(self, ground: Ground) -> None:
        self._accuracy = ground.accuracy
        self.state = _SpreadState()

    def push(self, moment: Moment, celsius: Sequence[float], doubted: Container[int]) -> list[Finding]:
        state, frame = self.state, moment.frame
        day = frame.start_ms // DAY_MS
        found: list[Finding] = []
        if day != state.day:
            if state.day >= 0:
                found = self._judge(moment, doubted)
            state.day = day
            state.totals, state.counts = [0.0] * len(celsius), [0] * len(celsius)
        if frame.number % _EVERY:
            return found
        totals, counts = state.totals, state.counts
        for one, value in enumerate(celsius):
            if not isnan(value):
                totals[one] += value
                counts[one] += 1
        return found

    def _judge(self, moment: Moment, doubted: Container[int]) -> list[Finding]:
        state, limits = self.state, moment.limits
        most = max(state.counts, default=0)
        means = {
            one + 1: total / count
            for one, (total, count) in enumerate(zip(state.totals, state.counts, strict=True))
            if count >= max(_LEAST_FRAMES, 0.9 * most) and one + 1 not in doubted
        }
        if len(means) < 2:
            return []
        ranks = sorted(means, key=lambda one: means[one])
        cold, hot, middle = ranks[0], ranks[-1], means[ranks[len(ranks) // 2]]
        spread = means[hot] - means[cold]
        half = sqrt(self._offset(hot) ** 2 + self._offset(cold) ** 2)
        seen, block = "even", 0
        if spread - half > limits["celsius_spread"]:
            warm = means[hot] - middle >= middle - means[cold]
            seen, block = ("hot_block", hot) if warm else ("cold_block", cold)
        if not self._stands(seen, block, limits["celsius_spread_days"]):
            return []
        reason = (
            f"day's means: block {hot} is warmest with {means[hot]:.1f} °C, block {cold} coldest with "
            f"{means[cold]:.1f} °C, the middle one has {middle:.1f} °C"
        )
        before, state.verdict, state.block = state.block, seen, block
        told = tell(
            moment.frame,
            "heat.spread",
            seen,
            reason,
            subject=_subject(block or before),
            value=spread,
            band=(max(spread - half, 0.0), spread + half),
            since_ms=state.since_ms,
            spans=((state.since_ms, (state.day + 1) * DAY_MS),),
            details=figures(hottest_block=hot, coldest_block=cold, hottest_above_middle_kelvin=means[hot] - middle),
        )
        if not block or not before or before == block:
            return [told]
        gone = f"block {block} stands out now; {reason}"
        return [told, replace(told, subject=_subject(before), verdict="even", reason=gone)]

    def _stands(self, seen: str, block: int, days: float) -> bool:
        """Whether what a day shows is new and has stood long enough to be told."""
        state = self.state
        if (seen, block) == (state.verdict, state.block):
            state.run, state.pending = 0, ""
            return False
        if state.pending != f"{seen} {block}":
            state.run, state.pending, state.since_ms = 0, f"{seen} {block}", state.day * DAY_MS
        state.run += 1
        if state.run < (1 if seen == "even" and not state.verdict else days):
            return False
        state.run, state.pending = 0, ""
        return True

    def _offset(self, block: int) -> float:
        accuracy = self._accuracy.get(f"block_{block}_celsius")
        return accuracy.offset if accuracy is not None and accuracy.offset is not None else 0.5

    def to_plain(self) -> dict[str, Any]:
        return dict(vars(self.state))

    def load_plain(self, plain: dict[str, Any]) -> None:
        self.state = _SpreadState(**plain)


def _subject(block: int) -> str:
    return f"block {block}" if block else "bank"
