"""Banks of one layout at their sites, stepped together day by day: habits, chargers, generator and cells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simulators.judging.cells import Cells, Demand
from simulators.judging.chargers import ABSORPTION, FLOAT, Chargers
from simulators.judging.chemistry import Flags, Floats, Layout
from simulators.judging.habits import MINUTES, Day, make_day
from simulators.judging.parameters import Draw, draw_bank, stack
from simulators.judging.rating import nominal_share

_LOW_VOLTS, _LOW_MINUTES, _GENERATOR_MINUTES = 2.01, 30, 90
_INVERTER_SHARE = 0.75
"""Loads let go of themselves below this share of the volts at which the site is switched off."""


@dataclass
class DayRecord:
    """What truly happened, one row per minute. Shapes: (minutes, banks) or (minutes, banks, strings[, blocks])."""

    volts: Floats
    load_amps: Floats
    charge_amps: Floats
    string_amps: Floats
    block_volts: Floats
    celsius: Floats
    ambient_celsius: Floats
    least_fill: Floats
    """Fill of the emptiest block of each bank."""


class Sites:
    """Many banks of one layout. `seeds`: one for each bank. `seasons`: days of the year on which they start."""

    def __init__(self, layout: Layout, seeds: Sequence[int], seasons: Sequence[int] | None = None) -> None:
        self.layout, self.seeds = layout, seeds
        self.seasons = [100] * len(seeds) if seasons is None else seasons
        self._draws = [draw_bank(layout, seed) for seed in seeds]
        self.draw: Draw = stack(self._draws)
        self.cells = Cells(layout, self.draw, nominal_share(layout.name))
        self.chargers = Chargers(layout, self.draw)
        banks = len(seeds)
        self.parasitic_amps = np.zeros(banks)
        self.sun_share = np.ones(banks)
        self.ambient_shift = np.zeros(banks)
        self.generator_share = np.ones(banks)
        """Factor on the minutes for which the generator goes on once absorption has begun."""
        self.load_share = np.ones(banks)
        self.cut_shift = np.zeros(banks)
        """Volts per cell added to the voltage at which loads are switched off."""
        self._cut = np.zeros(banks, dtype=bool)
        self._low = np.zeros(banks)
        self._generator = np.zeros(banks)

    @property
    def banks(self) -> int:
        return len(self.seeds)

    def run_day(self, day: int, link_extra: Floats | None = None) -> DayRecord:
        """Let day number `day` pass. `link_extra`: ohms added to links minute by minute,
        shape (minutes, banks, strings, blocks)."""
        days = [
            make_day(self.layout, draw, seed, day, season)
            for draw, seed, season in zip(self._draws, self.seeds, self.seasons, strict=True)
        ]
        inputs = self._inputs(days)
        record = self._blank()
        for minute in range(MINUTES):
            if link_extra is not None:
                self.cells.jolt(link_extra[minute])
            self._step(minute, inputs, days, record)
        return record

    def _inputs(self, days: list[Day]) -> tuple[Floats, Floats, Flags, Floats]:
        load = np.stack([day.load_amps for day in days], axis=1) * self.load_share
        source = np.stack([day.source_amps for day in days], axis=1)
        source = source * self.sun_share if self.layout.site == "solar" else source
        plugged = np.stack([day.plugged for day in days], axis=1)
        ambient = np.stack([day.ambient_celsius for day in days], axis=1) + self.ambient_shift
        self._equalizing = np.array([day.equalizing for day in days])
        return load, source, plugged, ambient

    def _step(
        self, minute: int, inputs: tuple[Floats, Floats, Flags, Floats], days: list[Day], record: DayRecord
    ) -> None:
        load, source, plugged, ambient = (values[minute] for values in inputs)
        cells = self.cells
        load = self._switched(load) + self.parasitic_amps
        running = self._run_generator(minute, load)
        amps, volts = self.chargers.offer(cells, plugged | running, self._equalizing)
        amps = np.minimum(amps, source + running * self.draw.generator_amps)
        cells.step(Demand(load, amps, volts, self._least_volts(), ambient))
        record.volts[minute] = cells.volts
        record.load_amps[minute] = cells.load_amps
        record.charge_amps[minute] = cells.charge_amps
        record.string_amps[minute] = cells.amps[:, :, 0]
        record.block_volts[minute] = cells.block_volts
        record.celsius[minute] = cells.celsius
        record.ambient_celsius[minute] = ambient
        record.least_fill[minute] = cells.fill.min(axis=(1, 2))

    def _least_volts(self) -> Floats:
        cut = (self.draw.cut_volts + self.cut_shift) * self.layout.cells_in_series
        return cut * _INVERTER_SHARE

    def _switched(self, load: Floats) -> Floats:
        """Loads after the low-voltage switch: off when low, on again when recovered. A truck creeps on."""
        per_cell = self.cells.volts / self.layout.cells_in_series
        self._cut = np.where(
            self._cut, per_cell < self.draw.back_volts + self.cut_shift, per_cell < self.draw.cut_volts + self.cut_shift
        )
        off = 0.0 if self.layout.site == "solar" else 0.25
        switched: Floats = np.where(self._cut, off * load, load)
        return switched

    def _run_generator(self, minute: int, load: Floats) -> Flags:
        """Somebody starts the generator when the bank has been low for half an hour by day, until it is absorbed."""
        if self.layout.site != "solar":
            return np.zeros(self.banks, dtype=bool)
        low = (self.cells.volts < _LOW_VOLTS * self.layout.cells_in_series) & (
            load < 0.06 * self.layout.rated_amp_hours
        )
        self._low = np.where(low, self._low + 1, 0.0)
        starts = (self._low > _LOW_MINUTES) & (self._generator == 0.0) & (7 * 60 < minute < 20 * 60)
        absorbing = (self.chargers.stage == ABSORPTION) | (self.chargers.stage == FLOAT)
        self._generator = np.where(starts, 1.0 + _GENERATOR_MINUTES * self.generator_share, self._generator)
        self._generator = np.where((self._generator > 0) & absorbing, self._generator - 1.0, self._generator)
        return self._generator > 0.0

    def _blank(self) -> DayRecord:
        one = (MINUTES, self.banks)
        strings = (*one, self.layout.strings)
        blocks = (*strings, self.layout.blocks_per_string)
        return DayRecord(
            np.empty(one),
            np.empty(one),
            np.empty(one),
            np.empty(strings),
            np.empty(blocks),
            np.empty(blocks),
            np.empty(one),
            np.empty(one),
        )
