"""The chargers of many banks: bulk, absorption, a finishing current, float; one value for each bank."""

from __future__ import annotations

import numpy as np

from simulators.judging.cells import STEP_SECONDS, Cells
from simulators.judging.chemistry import Flags, Floats, Layout
from simulators.judging.parameters import Draw

OFF, BULK, ABSORPTION, FINISH, FLOAT, DONE = range(6)
_HOURS = STEP_SECONDS / 3600.0
_REACHED_VOLTS = 0.004


class Chargers:
    """Stages of charging. The attributes from `shift` on are where faults take hold."""

    def __init__(self, layout: Layout, draw: Draw) -> None:
        self._draw = draw
        self._cells = layout.cells_in_series
        self._floats = layout.site == "solar"
        self._always_finishes = layout.site != "solar"
        banks = len(draw.absorption_volts)
        self.stage = np.zeros(banks, dtype=np.int64)
        self._hours = np.zeros(banks)
        self._set_volts = np.zeros(banks)
        self._equalizing = np.zeros(banks, dtype=bool)
        self.shift = np.zeros(banks)
        """Volts per cell added to the set points."""
        self.hours_share = np.ones(banks)
        """Factor on the hours of absorption and finish."""
        self.finish_share = np.ones(banks)
        """Further factor on the hours of the finish."""
        self.tail_share = np.ones(banks)
        """Factor on the current that ends absorption before its time; 0: only the clock ends it."""
        self.compensation_share = np.ones(banks)
        self.amps_share = np.ones(banks)
        self.probe_celsius = np.full(banks, np.nan)
        """What a detached probe reads; NaN where it sits on the block."""

    def offer(self, cells: Cells, plugged: Flags, equalizing: Flags) -> tuple[Floats, Floats]:
        """Most amperes that the chargers give, and the bank volts that they hold, in the step that begins."""
        draw = self._draw
        self._advance(cells.volts, cells.amps.sum(axis=(1, 2)))
        self._plug(plugged, equalizing)
        stage = self.stage
        finishing = stage == FINISH
        amps = np.where(finishing, draw.finish_amps, draw.charge_amps) * self.amps_share
        amps = np.where((stage == OFF) | (stage == DONE), 0.0, amps)
        finish = draw.finish_volts if self._always_finishes else draw.equalize_volts
        volts = np.where(finishing, finish, np.where(stage == FLOAT, draw.float_volts, draw.absorption_volts))
        felt = cells.celsius[:, 0, 0] + draw.probe_error
        felt = np.where(np.isnan(self.probe_celsius), felt, self.probe_celsius)
        volts = volts - draw.compensation * self.compensation_share * (felt.clip(-10.0, 45.0) - 25.0)
        self._set_volts = (volts + self.shift) * self._cells
        return amps, self._set_volts

    def _plug(self, plugged: Flags, equalizing: Flags) -> None:
        """Unplugged chargers are off; a newly plugged one begins. A day that equalizes prolongs the finish."""
        self._equalizing = equalizing
        begins = plugged & (self.stage == OFF)
        self._enter(begins, BULK)
        self._enter(~plugged, OFF)

    def _enter(self, where: Flags, stage: int) -> None:
        self.stage = np.where(where, stage, self.stage)
        self._hours = np.where(where, 0.0, self._hours)

    def _advance(self, volts: Floats, amps: Floats) -> None:
        draw, stage = self._draw, self.stage
        reached = volts >= self._set_volts - _REACHED_VOLTS * self._cells
        # Clouds stop the clock of absorption.
        counts = (stage != ABSORPTION) | (volts >= self._set_volts - 3.0 * _REACHED_VOLTS * self._cells)
        self._hours = self._hours + _HOURS * counts
        tailed = (amps < draw.tail_amps * self.tail_share) & (amps > 0.0) & (self._hours > 0.5)
        absorbed = (stage == ABSORPTION) & (tailed | (self._hours >= draw.absorption_hours * self.hours_share))
        bulk_done = (stage == BULK) & reached
        hours = np.where(self._equalizing, draw.equalize_hours, 0.0)
        if self._always_finishes:
            hours = hours + draw.finish_hours
        hours = hours * self.hours_share * self.finish_share
        finished = (stage == FINISH) & (self._hours >= hours)
        last = FLOAT if self._floats else DONE
        self._enter(bulk_done, ABSORPTION)
        self._enter(absorbed & (hours > 0.0), FINISH)
        self._enter((absorbed & (hours <= 0.0)) | finished, last)
        restart = (stage == FLOAT) & (volts < 2.05 * self._cells)
        self._enter(restart, BULK)
