"""Stuck channels: no change where there should be some, judged from the spreads of ended phases.

Limits are common practice, no source. A bank voltage or a tap that shows one and the same value while a good share of
the rated amp-hours goes through has stopped measuring; so has a current that stands still to the last digit for six
hours of charge or discharge, and a temperature that does so for two days.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass, field

from loggerd.analysis.stretch import CHARGE2_PER_AMP_HOUR, Spread, Stretch
from loggerd.model.ledger import Instant, MarkSpan
from loggerd.model.marks import Mark

_LEAST_READINGS = 20
_VOLTS_MS = 30 * 60_000
_VOLTS_SHARE = 0.03
"""Share of the rated amp-hours that has to be moved before a voltage must have changed."""
_AMPS_MS = 6 * 3_600_000
_CELSIUS_MS = 48 * 3_600_000


@dataclass
class _Still:
    """A temperature that has not changed: since when, until when, over how many milliseconds of phases and readings."""

    value: int
    session: int
    start_ms: int
    end_session: int
    end_ms: int
    lasted_ms: int
    readings: int


@dataclass
class StuckWatch:
    """Judges ended phases. Between them it keeps, for each temperature channel, since when it has not changed.

    `channels`: names of the channels judged; other spreads of a phase are sums or counts.
    """

    rated_amp_hours: float
    channels: frozenset[str]
    still: dict[str, _Still] = field(default_factory=dict)

    def push(self, phases: list[Stretch]) -> list[MarkSpan]:
        """Marks that these phases, in order of time, bring to an end."""
        marks: list[MarkSpan] = []
        for phase in phases:
            for channel in sorted(self.channels & phase.spreads.keys()):
                spread = phase.spreads[channel]
                if channel.endswith("_celsius"):
                    marks.extend(self._temperature(channel, spread, phase))
                elif self._stuck(channel, spread, phase):
                    marks.append(_mark(channel, phase, spread.count))
        return marks

    def _stuck(self, channel: str, spread: Spread, phase: Stretch) -> bool:
        if spread.low != spread.high or spread.count < _LEAST_READINGS:
            return False
        if channel.endswith("volts"):
            moved = abs(phase.charge2) / CHARGE2_PER_AMP_HOUR
            return phase.duration_ms >= _VOLTS_MS and moved >= _VOLTS_SHARE * self.rated_amp_hours
        return channel.endswith("amps") and phase.label != 0 and phase.duration_ms >= _AMPS_MS

    def _temperature(self, channel: str, spread: Spread, phase: Stretch) -> list[MarkSpan]:
        still = self.still.get(channel)
        constant = spread.low == spread.high
        if still is not None and constant and spread.low == still.value:
            still.end_session, still.end_ms = phase.end_session, phase.end_ms
            still.lasted_ms += phase.duration_ms
            still.readings += spread.count
            return []
        if constant:
            self.still[channel] = _Still(
                spread.low,
                phase.session,
                phase.start_ms,
                phase.end_session,
                phase.end_ms,
                phase.duration_ms,
                spread.count,
            )
        else:
            self.still.pop(channel, None)
        return _ended(channel, still) if still is not None else []

    def finish(self) -> list[MarkSpan]:
        """Marks of temperatures that have not changed up to the last phase."""
        return [mark for channel, still in sorted(self.still.items()) for mark in _ended(channel, still)]

    def to_plain(self) -> dict[str, list[int]]:
        return {channel: list(astuple(still)) for channel, still in self.still.items()}

    def load_plain(self, plain: dict[str, list[int]]) -> None:
        self.still = {channel: _Still(*numbers) for channel, numbers in plain.items()}


def _ended(channel: str, still: _Still) -> list[MarkSpan]:
    if still.lasted_ms < _CELSIUS_MS or still.readings < _LEAST_READINGS:
        return []
    start, end = Instant(still.session, still.start_ms), Instant(still.end_session, still.end_ms)
    return [MarkSpan(channel, int(Mark.STUCK), start, end, still.readings)]


def _mark(channel: str, phase: Stretch, readings: int) -> MarkSpan:
    start, end = Instant(phase.session, phase.start_ms), Instant(phase.end_session, phase.end_ms)
    return MarkSpan(channel, int(Mark.STUCK), start, end, readings)
