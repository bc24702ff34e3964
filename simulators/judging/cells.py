"""The blocks of many banks, stepped together: charge, polarisation, gas, heat. Arrays are (banks, strings, blocks).

Charge is exact: for every block, current from outside = change of stored charge + side reactions + leak.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulators.judging import chemistry as laws
from simulators.judging.chemistry import Floats, Layout
from simulators.judging.condition import Condition
from simulators.judging.parameters import Draw

STEP_SECONDS = 60.0
STEPS_PER_SLOW = 5
_HOURS = STEP_SECONDS / 3600.0
_SLOW_HOURS = _HOURS * STEPS_PER_SLOW
_PASSES = 2
_NO_AMPS = 1e-6
"""Rounding of a bank at rest must not look like charge, or its volts jump."""
_BOILING_CELSIUS = 106.0
_COOLEST_OHMS_PER_KELVIN = -0.011
_SULFATION_PER_HOUR = 0.25 / 720.0
_DISSOLVED_PER_HOUR = 0.05
_FADE_PER_CYCLE = 0.2 / 900.0


@dataclass(frozen=True)
class Demand:
    """What is asked for in one step, one value for each bank. Amperes are of the whole bank, none is negative."""

    load_amps: Floats
    charge_amps: Floats
    """Most that the chargers can give."""
    set_volts: Floats
    """Bank volts that they hold."""
    least_volts: Floats
    """Loads let go before the bank falls below this."""
    ambient_celsius: Floats


class Cells:
    """See the module. `amps` (charge positive) per string, `block_volts` with the links that the taps include."""

    def __init__(self, layout: Layout, draw: Draw, nominal_share: float) -> None:
        """`nominal_share`: amp-hours in a full nominal block for each rated amp-hour (`rating.nominal_share`)."""
        self.layout, self.draw = layout, draw
        shape = draw.design_share.shape
        self.design = layout.string_amp_hours * nominal_share * draw.design_share
        self.condition = Condition.healthy(shape, layout.cells_per_block)
        self.fade = draw.fade.copy()
        self.soft_sulfate = np.zeros(shape)
        self.celsius = np.broadcast_to(self._column(draw.mean_celsius), shape).copy()
        self.capacity = self.design * (1.0 - self.fade)
        self.stored: Floats = self.capacity * draw.start_fill
        self.lag = np.zeros(shape)
        self.pores, self.plates, self.slow, self.acceptance, self.surface = (np.zeros(shape) for _ in range(5))
        self.side, self.leaked, self.lost = (np.zeros(shape) for _ in range(3))
        self.external = np.zeros((shape[0], shape[1], 1))
        self.amps = np.zeros((shape[0], shape[1], 1))
        self.load_amps, self.charge_amps = np.zeros(shape[0]), np.zeros(shape[0])
        self._drawn, self._watts, self._gas_sum, self._main_sum = (np.zeros(shape) for _ in range(4))
        self.cell_volts = np.full(shape, 2.1)
        self.gas_amps = np.zeros(shape)
        self._steps = 0
        self.refresh()
        self.block_volts = self.cell_volts * self.condition.cells
        self.volts = self.block_volts.sum(axis=2).mean(axis=1)

    @staticmethod
    def _column(values: Floats) -> Floats:
        return values[:, None, None]

    @property
    def fill(self) -> Floats:
        """Charge of each block as a share of what it can hold now."""
        return self.stored / self.capacity

    @property
    def live_design(self) -> Floats:
        """Amp-hours that the acid is made for."""
        return self.design * self.condition.size

    @property
    def sulfate(self) -> Floats:
        """Share of the design capacity that is locked as sulfate."""
        return np.minimum(self.condition.sulfate + self.soft_sulfate, 0.9)

    def ohms(self, fill: float = 0.9) -> Floats:
        """Ohms of each block at that fill, with the links its taps include: what a step shows within a minute."""
        depth = np.full(self.capacity.shape, 1.0 - fill)
        minute = (1.0 - self._pores_left) * self._pores_ohms
        return (self._ohms * laws.depth_factor(depth) + minute) * self.condition.cells + self._links

    # -- a step ------------------------------------------------------------------------------------------------

    def step(self, demand: Demand) -> None:
        """Let STEP_SECONDS pass under a demand."""
        self._begin()
        self._solve(demand)
        self._move_charge()
        self._steps += 1
        if self._steps % STEPS_PER_SLOW == 0:
            self._move_slow(demand.ambient_celsius)
            self.refresh()

    def _begin(self) -> None:
        """Sources and resistances of this step, with the polarisations as they will be at its end."""
        head = self.stored - self._bound * self.lag
        at_hand = head / self.capacity
        depth = np.minimum(np.maximum(1.0 - at_hand, 0.0), 1.0)
        acid = self._full_acid - self._acid_per_ah * (self.capacity - head)
        knee = laws.knee_volts(at_hand - self._cold_fill)
        self._open = laws.bode_volts(np.maximum(acid, 0.3)) + self._emf_shift
        self._source = (
            self._open - knee + self._pores_left * self.pores + self._plates_left * self.plates + self._slow_volts
        )
        steep = np.where(knee < laws.KNEE_MOST, knee, 0.0) * self._knee_ohms
        self._discharge_ohms = self._ohms * laws.depth_factor(depth) + self._linear_ohms + steep
        fill = np.minimum(self.stored / self.capacity, 1.0)
        self._acceptance_now = self._acceptance_ohms * fill / (1.0 + laws.ACCEPTANCE_MARGIN - fill)
        charge = self._ohms * (1.0 + 0.9 * depth) + self._linear_ohms
        self._charge_ohms = charge + (1.0 - self._acceptance_left) * self._acceptance_now
        self._charge_source = self._source + self._acceptance_left * self.acceptance

    def _solve(self, demand: Demand) -> None:
        """String currents that share one node voltage: Newton passes from the last step, whose rest is made good
        in the next one. Stored charge stays exact, since it takes what the currents leave."""
        for _ in range(_PASSES):
            charging = self.amps > _NO_AMPS
            ohms = np.where(charging, self._charge_ohms, self._discharge_ohms)
            source = np.where(charging, self._charge_source, self._source)
            gas = np.exp(self._gas_log + self._gas_per_volt * self.cell_volts)
            slope = self._gas_per_volt * gas
            damped = 1.0 / (1.0 + ohms * slope)
            base = (source - ohms * (self._leak_amps + gas - slope * self.cell_volts)) * damped
            ohms = ohms * damped
            cells = self.condition.cells
            total = (base * cells).sum(axis=2)
            siemens = 1.0 / (ohms * cells + self._links).sum(axis=2)
            bank = self._bank_amps(demand, siemens.sum(axis=1), (total * siemens).sum(axis=1))
            self.volts = (bank + (total * siemens).sum(axis=1)) / siemens.sum(axis=1)
            self.amps = ((self.volts[:, None] - total) * siemens)[:, :, None]
            before, self.cell_volts = self.cell_volts, base + ohms * self.amps
        self.gas_amps = np.maximum(gas + slope * (self.cell_volts - before), 0.0)
        self.block_volts = self.cell_volts * cells + self.amps * self._links
        self.load_amps = np.minimum(demand.load_amps, np.maximum(demand.charge_amps - bank, 0.0))
        self.load_amps = np.where(bank < -self.load_amps, -bank, self.load_amps)
        self.charge_amps = bank + self.load_amps

    @staticmethod
    def _bank_amps(demand: Demand, siemens: Floats, short_amps: Floats) -> Floats:
        at_set = demand.set_volts * siemens - short_amps
        amps = np.minimum(demand.charge_amps - demand.load_amps, np.maximum(at_set, -demand.load_amps))
        let_go = np.minimum(demand.least_volts * siemens - short_amps, 0.0)
        return np.maximum(amps, let_go)

    def _move_charge(self) -> None:
        drawn = self.amps - self._leak_amps
        main = drawn - self.gas_amps
        main = np.minimum(main, (self.capacity - self.stored) / _HOURS)
        main = np.maximum(main, (laws.LOWEST_FILL * self.capacity - self.stored + self._bound * self.lag) / _HOURS)
        side = drawn - main
        self.stored = self.stored + main * _HOURS
        self.lag = self.lag * self._exchange_left - main * self._exchange_gain
        self.pores = self.pores * self._pores_left + main * ((1.0 - self._pores_left) * self._pores_ohms)
        self.plates = self.plates * self._plates_left + main * ((1.0 - self._plates_left) * self._plates_ohms)
        taken = np.maximum(main, 0.0) * (1.0 - self._acceptance_left)
        self.acceptance = self.acceptance * self._acceptance_left + taken * self._acceptance_now
        self.acceptance = np.minimum(self.acceptance, 0.4)
        self.side += side * _HOURS
        self.leaked += self._leak_amps * _HOURS
        self.external += self.amps * _HOURS
        self._watts += main * (self.cell_volts - self._open) + side * (self.cell_volts - self._carried_off)
        self._gas_sum += self.gas_amps
        self._main_sum += main

    def jolt(self, link_extra: Floats) -> None:
        """Ohms added to the links for the coming step, for a joint that comes and goes."""
        self._links = self.draw.link_ohms + self.condition.link_ohms + link_extra

    # -- slow things -------------------------------------------------------------------------------------------

    def _move_slow(self, ambient: Floats) -> None:
        draw, rated = self.draw, self.layout.string_amp_hours
        main = self._main_sum / STEPS_PER_SLOW
        gas = self._gas_sum / STEPS_PER_SLOW
        left = np.exp(-_SLOW_HOURS / laws.POLARISATION_HOURS[2])
        self.slow = self.slow * left + main * (1.0 - left) * self._slow_ohms
        wanted = self._column(draw.surface_volts) * np.minimum(gas / (0.004 * rated), 1.0)
        rising = wanted > self.surface
        fall = 1.0 / laws.SURFACE_HOURS + laws.SURFACE_PER_DRAWN * np.maximum(-main, 0.0) / rated
        rate = np.where(rising, 1.0, fall)
        self.surface += (np.where(rising, wanted, 0.0) - self.surface) * (1.0 - np.exp(-rate * _SLOW_HOURS))
        watts = self._watts / STEPS_PER_SLOW * self.condition.cells
        resistance = self._column(draw.kelvin_per_watt) * draw.warmth_share * self.condition.heat_path
        settled = self._column(ambient) + watts * resistance
        cooled = np.exp(-_SLOW_HOURS / (self._column(draw.heat_hours) * self.condition.heat_path))
        self.celsius = np.minimum(settled + (self.celsius - settled) * cooled, _BOILING_CELSIUS)
        self._wear(main, gas)
        for total in (self._watts, self._gas_sum, self._main_sum):
            total[:] = 0.0

    def _wear(self, main: Floats, gas: Floats) -> None:
        rated = self.layout.string_amp_hours
        self.fade += _FADE_PER_CYCLE * np.maximum(-main, 0.0) * _SLOW_HOURS / rated
        grown = _SULFATION_PER_HOUR * np.minimum(np.maximum(0.85 - self.fill, 0.0), 0.85) * _SLOW_HOURS
        mending = np.minimum(gas / (0.003 * rated), 1.0) * (_DISSOLVED_PER_HOUR * _SLOW_HOURS)
        self.soft_sulfate = np.minimum(self.soft_sulfate * (1.0 - mending) + grown, 0.4)
        mixed = np.minimum(gas / (0.003 * rated), 1.0) * (0.3 * _SLOW_HOURS)
        state, charged = self.condition, np.maximum(main, 0.0) * _SLOW_HOURS / self.capacity
        state.strata = state.strata * (1.0 - mixed) + (1.0 - state.strata) * state.layering * charged

    def refresh(self) -> None:
        """What follows temperature, wear and condition; call it after changing the condition."""
        draw, state, kind, rated = self.draw, self.condition, self.layout.chemistry, self.layout.string_amp_hours
        sulfate = self.sulfate
        before = self.capacity
        held = state.plate * (1.0 - self.fade) * (1.0 - 0.12 * state.strata) * np.minimum(1.0, state.water / 0.85)
        design = self.live_design
        self.capacity = design * held * (1.0 - sulfate)
        self.lost += self.stored * (1.0 - self.capacity / before)
        self.stored = self.stored * (self.capacity / before)
        self.lag = self.lag * (self.capacity / before)
        warmth = self.celsius - 25.0
        full, flat = self._column(draw.full_molality), kind.flat_molality
        self._full_acid = (full - (full - flat) * sulfate) / state.water
        self._acid_per_ah = (full - flat) / design / state.water
        self._emf_shift = laws.EMF_VOLTS_PER_KELVIN * warmth + 0.012 * state.strata
        cold = np.exp(_COOLEST_OHMS_PER_KELVIN * warmth)
        share = draw.resistance * state.ohmic * cold / design
        self._ohms = kind.ohm_ah * share
        self._pores_ohms, self._plates_ohms, self._slow_ohms = (
            ohms * share / np.sqrt(state.plate) for ohms in kind.slow_ohm_ah
        )
        self._acceptance_ohms = kind.acceptance_ohm_ah * (1.0 + 5.0 * sulfate) * np.exp(-0.02 * warmth) / self.capacity
        self._acceptance_ohms = self._acceptance_ohms * draw.resistance
        self._refresh_constants()
        self._leak_amps = kind.leak_milliamps * 1e-5 * rated * draw.leak * np.exp2(warmth / 10.0) + state.leak_amps
        rate = kind.gas_milliamps * 1e-5 * rated * draw.gas * state.gas
        rate = rate * laws.arrhenius(self.celsius, self._column(draw.gas_joules))
        self._gas_per_volt = self._column(draw.gas_per_volt)
        self._gas_log = np.log(rate) - self._gas_per_volt * laws.GAS_REFERENCE_VOLTS
        self._carried_off = 1.48 * (1.0 - kind.recombined)
        self._links = draw.link_ohms + state.link_ohms
        self._slow_volts = self.slow + self.surface

    def _refresh_constants(self) -> None:
        available, warmth = self._column(self.draw.available), self.celsius - 25.0
        exchange = self._column(self.draw.exchange) * np.exp(laws.EXCHANGE_PER_KELVIN * warmth)
        self._cold_fill = np.maximum(-laws.COLD_FILL_PER_KELVIN * warmth, -0.02)
        self._bound = 1.0 - available
        self._exchange_left = np.exp(-exchange * _HOURS)
        self._exchange_gain = (1.0 - self._exchange_left) / (available * exchange)
        self._pores_left, self._plates_left = (float(np.exp(-_HOURS / tau)) for tau in laws.POLARISATION_HOURS[:2])
        self._acceptance_left = float(np.exp(-_HOURS / laws.ACCEPTANCE_HOURS))
        self._linear_ohms = (1.0 - self._pores_left) * self._pores_ohms + (1.0 - self._plates_left) * self._plates_ohms
        self._knee_ohms = _HOURS / (laws.KNEE_FILL * available * self.capacity)
