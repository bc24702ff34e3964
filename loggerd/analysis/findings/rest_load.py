"""What steadily draws on the bank when nothing else does: lowest steady currents, day by day."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.findings.full_charge_reading import Limits, Reading, offset_amps
from loggerd.analysis.findings.full_charge_telling import Said, Teller, cannot_tell
from loggerd.analysis.findings.rest_specs import PARASITIC
from loggerd.model.finding import Finding

_MOST = 0.015
"""Share of the rated amp-hours above which a load is no idle one."""
_STEADY = 0.002
_HELD_VOLTS = 2.2
"""Per cell: chargers that compensate hold more than this in any warmth that is usual (common practice, no source)."""
_STRETCH = 3
_LEAST_STRETCHES = 2
_USUAL_DAYS = 14
_RECENT = 4
_LEAST_RISE = 0.0006
_MINOR = 0.25


@dataclass
class IdleLoad:
    """`run`: amperes of the steady frames in a row; `this_day`: means of steady quarters of an hour; `usual`, `recent`:
    one figure for each day [A], loads positive: of the first two weeks that have one, and of the last days.
    """

    ground: Ground
    run: list[float] = field(default_factory=list)
    this_day: list[float] = field(default_factory=list)
    usual: list[float] = field(default_factory=list)
    recent: list[float] = field(default_factory=list)

    def add(self, reading: Reading, spread: float, above: float) -> None:
        """`spread`: from the lowest to the highest reading of the current; `above`: voltages that tell a charger."""
        rated = self.ground.bank.rated_amp_hours
        small = spread <= _STEADY * rated and -_MOST * rated < reading.amps < _STEADY * rated / 2
        if not small or not self._is_idle(reading, above):
            self.run = []
            return
        if self.run and abs(reading.amps - self.run[0]) > _STEADY * rated / 2:
            self.run = []
        self.run.append(reading.amps)
        if len(self.run) == _STRETCH:
            self.this_day.append(-sum(self.run) / _STRETCH)
            self.run = []

    def _is_idle(self, reading: Reading, above: float) -> bool:
        """Whether no charger is at work. A warm bank still stands high some hours after its charge: it rests, if no
        current flows into it and no charger would hold so little."""
        stated = self.ground.accuracy.get("amps")
        error = stated.offset or 0.0 if stated is not None else 0.0
        return reading.at_reference < above or (reading.volts < _HELD_VOLTS and reading.amps <= error)

    def day_ended(self, teller: Teller, moment: Moment) -> list[Finding]:
        """Judges the past day with those before it."""
        if len(self.this_day) < _LEAST_STRETCHES:
            self.this_day = []
            return []
        quarter = sorted(self.this_day)[len(self.this_day) // 4]
        self.this_day = []
        if len(self.usual) < _USUAL_DAYS:
            self.usual = [*self.usual, quarter]
        self.recent = [*self.recent, quarter][-_RECENT:]
        if len(self.recent) < _RECENT:
            return []
        said = self._judge(moment.limits)
        return teller.news(said, moment, max(_MINOR * abs(said.value or 0.0), offset_amps(self.ground, moment.limits)))

    def _judge(self, limits: Limits) -> Said:
        rated = self.ground.bank.rated_amp_hours
        offset, load, usual = offset_amps(self.ground, limits), median(self.recent), median(self.usual)
        days = f"lowest steady current of the last {len(self.recent)} days"
        numbers = {"usual": usual}
        rise = max(limits["parasitic_rise_fraction"] * max(usual, 0.0), _LEAST_RISE * rated, offset / 2)
        if len(self.usual) == _USUAL_DAYS and min(self.recent) - usual > rise and load > offset:
            reason = f"{load:.3f} A is the {days}; it was {usual:.3f} A before."
            return Said(PARASITIC.name, "grown", reason, value=load, half_width=offset, numbers=numbers)
        if abs(load) <= offset:
            reason = f"{load:.3f} A is the {days}; the zero of the meter may be wrong by {offset:.3f} A."
            return cannot_tell(PARASITIC.name, reason)
        if load < 0:
            reason = f"{-load:.3f} A seem to flow into the resting bank: the zero of the meter is wrong."
            return cannot_tell(PARASITIC.name, reason)
        reason = f"{load:.3f} A is the {days}: {100 * 24 * load / rated:.1f} % of the rated Ah in a day."
        return Said(PARASITIC.name, "small", reason, value=load, half_width=offset, numbers=numbers)

    def rested(self, amps: float, hours: float, teller: Teller, moment: Moment) -> list[Finding]:
        """A rest of hours with so much current: whether it empties the bank soon."""
        limits, rated = moment.limits, self.ground.bank.rated_amp_hours
        offset = offset_amps(self.ground, limits)
        if hours < limits["rest_hours_fair"] or 24 * (-amps - offset) <= limits["parasitic_per_day_fraction"] * rated:
            return []
        reason = f"{-amps:.3f} A in a rest of {hours:.1f} hours: {-2400 * amps / rated:.1f} % of the rated Ah in a day."
        said = Said(PARASITIC.name, "heavy", reason, value=-amps, half_width=offset)
        return teller.news(said, moment, _MINOR * -amps)

    def to_plain(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in ("run", "this_day", "usual", "recent")}

    def load_plain(self, plain: Mapping[str, Any]) -> None:
        for name, values in plain.items():
            setattr(self, name, values)
