"""What stands in for a rest where a bank never rests: its voltage under light loads, soon after a charge was held.

A house always draws something. Between a few and some per cent below full the voltage under a small current is nearly
that of rest, and tells the strength of the acid; the little that a cell of usual resistance sags is put back, and its
temperature, so that neither habits nor seasons move it.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import isnan
from typing import Any

from loggerd.analysis.findings.catalogue import Ground
from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.findings.events import ChargeEnded, LightlyLoaded
from loggerd.analysis.findings.resistance_steps import usual_ohm_amp_hours
from loggerd.analysis.frames import Frame

_HELD_MS = 3_600_000
_FROM, _TO = 0.03, 0.08
"""Of the rated amp-hours: the charge of the surface has gone, and the depth says little yet."""
_LEAST_AMPS, _MOST_AMPS = 0.001, 0.015
"""Of the rated amp-hours, per hour: at most ten millivolts per cell by resistance."""
_SLOW_OHM_AMP_HOURS = 0.3
_OHMS_PER_KELVIN = 0.01
"""Own choice, no source: what a small current adds in hours to the resistance of a moment, and that of colder acid."""
_FULL = ("full_proven", "full_likely")
_CHARGING_AMPS = 0.01
_LEAST_FRAMES = 12
_LEAST_BLOCKS = 3


class LightLoad:
    """`_held`: the charge before was held at its voltage for an hour; `_out`: amp-hours since; sums of the frames."""

    def __init__(self, ground: Ground) -> None:
        self._rated, self._cells = ground.bank.rated_amp_hours, ground.bank.cells_in_series
        self._cells_per_block = ground.bank.cells_per_block
        self._held = False
        self._out, self._volts, self._frames = 0.0, 0.0, 0

    def charged(self, event: ChargeEnded) -> None:
        """A charge has ended."""
        self._held = event.absorption_ms >= _HELD_MS and event.verdict in _FULL

    def add(self, frame: Frame, limits: Mapping[str, float]) -> LightlyLoaded | None:
        """Take a frame; returns the mean of a discharge's light loads once, when they are over."""
        amps, rated = frame.amps, self._rated
        if frame.after_unknown or frame.missed or isnan(amps) or amps > _CHARGING_AMPS * rated:
            self._held, self._out, self._volts, self._frames = False, 0.0, 0.0, 0
            return None
        self._out = max(self._out - frame.amp_hours, 0.0)
        if self._out == 0.0:
            self._volts, self._frames = 0.0, 0
        if self._out < _FROM * rated:
            return None
        if self._out < _TO * rated:
            if _LEAST_AMPS * rated < -amps < _MOST_AMPS * rated and not isnan(frame.volts):
                self._volts += self._volts_of_most(frame) + self._put_back(frame, limits)
                self._frames += 1
            return None
        told = self._held and self._frames >= _LEAST_FRAMES
        event = LightlyLoaded(frame.end_ms, self._volts / self._frames) if told else None
        self._held, self._volts, self._frames = False, 0.0, 0
        return event

    def _put_back(self, frame: Frame, limits: Mapping[str, float]) -> float:
        """What the current and the cold take from the rested volts of a usual cell."""
        cold = 0.0 if isnan(frame.celsius) else limits["reference_celsius"] - frame.celsius
        ohm_amp_hours = (usual_ohm_amp_hours(limits) + _SLOW_OHM_AMP_HOURS) * (1.0 + _OHMS_PER_KELVIN * cold)
        return -frame.amps / self._rated * ohm_amp_hours + limits["rest_volts_per_kelvin"] * cold

    def _volts_of_most(self, frame: Frame) -> float:
        """Volts per cell of the bank, or of its middle block where that is higher: one bad block is not its acid."""
        known = [one for one in frame.mean_list[frame.layout.block_volts] if not isnan(one)]
        middle = median(known) / self._cells_per_block if len(known) >= _LEAST_BLOCKS else 0.0
        return max(frame.volts / self._cells, middle)

    def to_plain(self) -> dict[str, Any]:
        return {name.lstrip("_"): getattr(self, name) for name in _STATE}

    def load_plain(self, plain: Mapping[str, Any]) -> None:
        for name in _STATE:
            setattr(self, name, plain[name.lstrip("_")])


_STATE = ("_held", "_out", "_volts", "_frames")
