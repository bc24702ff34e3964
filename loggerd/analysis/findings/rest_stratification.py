"""Acid in layers: cells of flooded blocks that are cycled for weeks without gas to stir them.

Charging makes heavy acid that sinks; only gas of an hour or more mixes it. The voltage follows the strong acid below,
so the bank rests as if full, while the charges that would not gas have not filled it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.findings.events import Rested
from loggerd.analysis.findings.full_charge_reading import Limits, Reading
from loggerd.analysis.findings.full_charge_telling import Said, Teller
from loggerd.analysis.findings.rest_specs import STRATIFICATION
from loggerd.analysis.frames import DAY_MS, FRAME_MS, Frame
from loggerd.model.bank import BankType
from loggerd.model.finding import Finding, Grade

_FLOODED = (BankType.FLOODED_ANTIMONY, BankType.FLOODED_CALCIUM)
_MIXING_MS = 3_600_000
_NEW_CHARGE = 0.05
"""Share of the rated amp-hours that is drawn before what gasses next is another charge."""
_LEAST_CYCLES = 2.0
_REFERENCE_RESTS, _RESTS = 5, 3
_AS_FULL_VOLTS, _STILL_AS_FULL_VOLTS = 0.005, 0.007
"""Own choice: a charge that ends where gas begins lacks 15 % or so, and a mixed cell then rests 15 to 20 mV lower, one
in light use 7 to 10. The second is how long what was told stands."""
_BELOW_ABSORPTION = 0.03
"""Volts per cell: tolerance of a charger (25 mV, by the presets) and what a voltmeter adds to it."""


class Stratification:
    """`_gassed_ms`: of the charge that runs; `_drawn`, `_charged`: amp-hours since gas, and put in since it mixed;
    `_full_volts`, `_volts`: rested volts per cell after charges that mixed, and since it has not been mixed."""

    def __init__(self, ground: Ground) -> None:
        self._flooded = ground.bank.type in _FLOODED
        self._rated = ground.bank.rated_amp_hours
        self._mixed_at_ms: int | None = None
        self._gassed_ms = 0
        self._drawn = 0.0
        self._charged = 0.0
        self._full_volts: list[float] = []
        self._volts: list[float] = []

    def add(self, frame: Frame, reading: Reading, limits: Limits) -> None:
        """A frame of any kind. A voltage above gassing counts whatever the current is said to be."""
        if self._mixed_at_ms is None or frame.after_unknown:
            self._mixed(frame.end_ms)
        moved = frame.amp_hours
        if moved > 0.0:
            self._charged += moved
        else:
            self._drawn -= moved
        if self._drawn > _NEW_CHARGE * self._rated:
            self._gassed_ms = 0
        # Where gas begins only just below what the charger holds, its tolerance must not decide.
        below = limits["absorption_volts_per_cell"] - _BELOW_ABSORPTION
        if reading.at_reference > below or reading.at_reference > limits["gassing_volts_per_cell"]:
            # In what is missing it may have gassed on.
            self._gassed_ms += FRAME_MS * (1 + frame.missed)
            self._drawn = 0.0
            if self._gassed_ms >= _MIXING_MS:
                self._mixed(frame.end_ms)

    @property
    def gassed_ms(self) -> int:
        """Time above the voltage at which gas begins, of the charge that runs or was the last."""
        return self._gassed_ms

    def _mixed(self, at_ms: int) -> None:
        self._mixed_at_ms, self._charged, self._volts = at_ms, 0.0, []

    def rested(self, event: Rested) -> None:
        """A rest has been read."""
        if event.after != "charge" or event.grade == "C" or self._mixed_at_ms is None:
            return
        if self._charged <= _NEW_CHARGE * self._rated:
            if event.after_full == "proven":
                self._full_volts = [*self._full_volts, event.volts_per_cell][-_REFERENCE_RESTS:]
        else:
            self._volts = [*self._volts, event.volts_per_cell][-_RESTS:]

    def day_ended(self, teller: Teller, moment: Moment) -> list[Finding]:
        """Judges once a day."""
        if not self._flooded or self._mixed_at_ms is None:
            return []
        days = (moment.frame.end_ms - self._mixed_at_ms) / DAY_MS
        cycles = self._charged / self._rated
        name = STRATIFICATION.name
        if days < moment.limits["stratification_days"] or cycles < _LEAST_CYCLES:
            reason = f"The last hour of gas was {days:.0f} days and {cycles:.1f} full cycles ago."
            return teller.news(Said(name, "mixed", reason, value=days), moment)
        since = (self._mixed_at_ms, moment.frame.end_ms)
        reason = f"No charge has gassed for an hour, while {cycles:.1f} full cycles were put in."
        high = len(self._full_volts) == _REFERENCE_RESTS and len(self._volts) == _RESTS
        likely = teller.last.get(name, [""])[0] == "likely"
        least = _STILL_AS_FULL_VOLTS if likely else _AS_FULL_VOLTS
        high = high and median(self._volts) > median(self._full_volts) - least
        if not high:
            said = Said(name, "possible", reason, Grade.INFERRED, days, since_ms=since[0], span=since)
            return teller.news(said, moment, 14.0)
        reason += (
            f" Still it rests at {median(self._volts):.3f} V per cell, as after full charges that gassed "
            f"({median(self._full_volts):.3f} V)."
        )
        said = Said(name, "likely", reason, Grade.INFERRED, days, since_ms=since[0], span=since)
        return teller.news(said, moment, 14.0)

    def to_plain(self) -> dict[str, Any]:
        return {name.lstrip("_"): getattr(self, name) for name in _STATE}

    def load_plain(self, plain: Mapping[str, Any]) -> None:
        for name in _STATE:
            setattr(self, name, plain[name.lstrip("_")])


_STATE = ("_mixed_at_ms", "_gassed_ms", "_drawn", "_charged", "_full_volts", "_volts")
