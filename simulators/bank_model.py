"""A bank block by block: the kinetic battery model with gassing, polarisation, heat and wear, stepped in time.

Charge is kept exactly: for every block, current from outside = change of stored charge + side reactions + leak.
Invented constants, for demonstration and fault injection; never the yardstick of an analysis.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulators.ageing import Ageing
from simulators.bank_parameters import BankParameters, draw_blocks
from simulators.bank_state import BankState, Demand
from simulators.electrochemistry import (
    FILL_GRID,
    GAS_PER_VOLT,
    LOWEST_FILL,
    POLARISATION_HOURS,
    Floats,
    charge_resistance_table,
    discharge_resistance_table,
    equilibrium_volts,
    gas_log_amps,
    voltage_table,
    wright_omega,
)
from simulators.operating_point import OperatingPoint

LONGEST_STEP_SECONDS = 300.0
_SLOW_SECONDS = 300.0
_EMF_VOLTS_PER_KELVIN = 0.0002
_BOILING_CELSIUS = 108.0
_TOLERANCE_VOLTS = 1e-3
_ITERATIONS = 40


@dataclass
class _Coefficients:
    """Constants of a step of one length, until temperature and wear have moved on."""

    seconds: float
    hours: float
    exchange_left: float
    exchange_gain: float
    minutes_left: float
    hours_left: float
    polarisation_ohms: Floats
    heat_left: Floats


class BankModel:
    """See the module. Arrays are shaped (strings, blocks per string); charge is per block in Ah."""

    def __init__(self, parameters: BankParameters, seed: int = 0) -> None:
        self.parameters = parameters
        self.chemistry = parameters.chemistry
        self.blocks = draw_blocks(parameters, seed)
        shape = self.blocks.full_amp_hours.shape
        self.ageing = Ageing.after(parameters.equivalent_cycles, (shape[0], shape[1]))
        self.capacity = self.blocks.full_amp_hours * self.ageing.capacity
        self.stored: Floats = self.capacity * parameters.start_fill
        self.celsius = np.full(shape, float(parameters.start_celsius))
        self.external = np.zeros((shape[0], 1))
        self.side = np.zeros(shape)
        """Ah of gassing; in a reversed block also what its plates could not give (negative)."""
        self.leaked = np.zeros(shape)
        """Ah of self-discharge, and charge that a fault took away."""
        self._lag = np.zeros(shape)
        self._minutes = np.zeros(shape)
        self._hours = np.zeros(shape)
        self._string_amps = np.zeros((shape[0], 1))
        self._discharged = np.zeros((shape[0], 1))
        self._since_slow = 0.0
        self._charging = False
        self._tables = (
            voltage_table(self.chemistry),
            discharge_resistance_table(self.chemistry),
            charge_resistance_table(self.chemistry),
        )
        self._coefficients: _Coefficients | None = None
        self._refresh_slow()
        self.state = self._first_state()

    # -- what faults and tests look at -------------------------------------------------------------------------

    @property
    def fill(self) -> Floats:
        """Charge of each block as a fraction of what it can hold now."""
        return self.stored / self.capacity

    def rested_volts(self) -> Floats:
        """Volts that each block comes to when left alone."""
        volts = equilibrium_volts(self.chemistry, self.fill) + _EMF_VOLTS_PER_KELVIN * (self.celsius - 25.0)
        return volts * self.blocks.cells

    def weaken(self, string: int, block: int, left: float) -> None:
        """Leave a block only the share `left` of its capacity; the charge in the lost part is gone."""
        self.ageing.weak[string, block] *= left
        lost = self.stored[string, block] * (1.0 - left)
        self.stored[string, block] -= lost
        self._lag[string, block] *= left
        self.leaked[string, block] += lost
        self._refresh_slow()

    def short_cell(self, string: int, block: int) -> None:
        """Take the voltage of one cell out of a block."""
        self.blocks.cells[string, block] = max(self.blocks.cells[string, block] - 1.0, 0.0)

    def loosen_link(self, string: int, block: int, ohms: float) -> None:
        """Add resistance to the link within the block's tap pair."""
        self.blocks.link_ohms[string, block] += ohms

    # -- stepping ----------------------------------------------------------------------------------------------

    def step(self, seconds: float, demand: Demand) -> BankState:
        """Let time pass under a demand and return the state at its end.

        Raises ValueError if `seconds` is not in 0 < seconds <= 300.
        """
        if not 0.0 < seconds <= LONGEST_STEP_SECONDS:
            raise ValueError(f"a step of {seconds} s; expected more than 0 and at most {LONGEST_STEP_SECONDS} s")
        constants = self._coefficients
        if constants is None or constants.seconds != seconds:
            constants = self._coefficients = self._make_coefficients(seconds)
        self._begin(constants)
        block_volts = self._solve(demand)
        self._move_charge(constants)
        self._move_heat(constants, demand.ambient_celsius)
        self._since_slow += seconds
        if self._since_slow >= _SLOW_SECONDS:
            self._wear()
            self._refresh_slow()
        amps = self._string_amps
        self.state = BankState(
            self._bank_volts,
            float(amps.sum()),
            demand.ambient_celsius,
            amps[:, 0].copy(),
            block_volts.ravel(),
            self.celsius.ravel(),
        )
        return self.state

    def _begin(self, constants: _Coefficients) -> None:
        """Voltage sources and resistances of this step; polarisations are taken as they will be at its end."""
        available = (self.stored - (1.0 - self.chemistry.available_fraction) * self._lag) / self.capacity
        self._open = np.interp(available, FILL_GRID, self._tables[0]) + self._emf_shift
        self._source = self._open + constants.minutes_left * self._minutes + constants.hours_left * self._hours
        self._available = available
        self._discharge_ohms: Floats | None = None
        self._charge_ohms: Floats | None = None

    def _ohms(self, string_amps: Floats) -> Floats:
        """Resistance of a cell of each block, by the direction of its string's current."""
        assert self._coefficients is not None
        if self._discharge_ohms is None and (string_amps <= 0.0).any():
            ohms = np.interp(self._available, FILL_GRID, self._tables[1]) * self._discharge_factor
            self._discharge_ohms = ohms + self._coefficients.polarisation_ohms
        if self._charge_ohms is None and (string_amps > 0.0).any():
            ohms = np.interp(self._available, FILL_GRID, self._tables[2]) * self._charge_factor
            self._charge_ohms = ohms + self._coefficients.polarisation_ohms
        if self._charge_ohms is None:
            assert self._discharge_ohms is not None
            return self._discharge_ohms
        if self._discharge_ohms is None or (string_amps > 0.0).all():
            return self._charge_ohms
        return np.where(string_amps > 0.0, self._charge_ohms, self._discharge_ohms)

    def _evaluate(self, string_amps: Floats) -> tuple[Floats, Floats, Floats]:
        """Block volts, string volts and their slopes (ohms) at these string currents.

        Each cell solves volts = source + ohms * (amps - leak - gas(volts)) in closed form by the Wright function.
        """
        ohms = self._ohms(string_amps)
        ungassed = self._source + ohms * (string_amps - self._leak_now)
        z = GAS_PER_VOLT * ungassed + self._gas_log + np.log(ohms)
        if float(z.max()) < -4.0:
            w = np.exp(z)
            w = w / (1.0 + w)
        else:
            w = wright_omega(z)
        self._cell_volts = ungassed - w / GAS_PER_VOLT
        self._gas_amps = w / (GAS_PER_VOLT * ohms)
        block_volts = self._cell_volts * self.blocks.cells + string_amps * self.blocks.link_ohms
        slopes = ohms / (1.0 + w) * self.blocks.cells + self.blocks.link_ohms
        return block_volts, block_volts.sum(axis=1), slopes.sum(axis=1)

    def _solve(self, demand: Demand) -> Floats:
        """Find the string currents that share one node voltage, by Newton steps from the last ones.

        The charger holds its current limit or its set volts, whichever asks less; it never takes from the bank.
        """
        most = demand.source_amps - demand.load_amps
        held = demand.set_volts if demand.source_amps > 0.0 else np.inf
        point = OperatingPoint(-demand.load_amps if demand.source_amps > 0.0 else most, most, held)
        amps, total = self._string_amps, float(self._string_amps.sum())
        amps = amps + ((point.begin(total) if self._charging else most) - total) / len(amps)
        self._charging = demand.source_amps > 0.0
        for _ in range(_ITERATIONS):
            block_volts, string_volts, slopes = self._evaluate(amps)
            siemens = 1.0 / slopes
            total, all_siemens = float(amps.sum()), float(siemens.sum())
            node = float(string_volts @ siemens) / all_siemens
            node += (point.next_total(total, node, all_siemens) - total) / all_siemens
            errors = node - string_volts
            if np.abs(errors).max() < _TOLERANCE_VOLTS:
                break
            amps = amps + (errors * siemens)[:, None]
        self._string_amps = amps
        self._bank_volts = float(string_volts.sum()) / len(amps)
        return block_volts

    def _move_charge(self, constants: _Coefficients) -> None:
        share = 1.0 - self.chemistry.available_fraction
        amps = self._string_amps
        drawn = amps - self._leak_now
        width = constants.hours + share * constants.exchange_gain
        at_hand = self.stored - share * constants.exchange_left * self._lag
        # np.minimum and np.maximum cost half of np.clip on arrays this small, and history is a hundred thousand steps.
        main = np.minimum(drawn - self._gas_amps, (self.capacity - at_hand) / width)
        main = np.maximum(main, (LOWEST_FILL * self.capacity - at_hand) / width)
        self._main_amps = main
        self._side_amps = drawn - main
        self.stored += main * constants.hours
        self._lag = self._lag * constants.exchange_left - main * constants.exchange_gain
        self._minutes = self._minutes * constants.minutes_left + main * self._minutes_gain
        self._hours = self._hours * constants.hours_left + main * self._hours_gain
        self.side += self._side_amps * constants.hours
        self.leaked += self._leak_now * constants.hours
        self.external += amps * constants.hours
        self._discharged -= np.minimum(amps, 0.0) * constants.hours

    def _move_heat(self, constants: _Coefficients, ambient: float) -> None:
        """Losses warm each block; gas that is not recombined carries away its thermoneutral 1.48 V."""
        kept = self._cell_volts - 1.48 * (1.0 - self.chemistry.recombined)
        watts = (self._cell_volts - self._open) * self._main_amps + kept * self._side_amps
        settled = ambient + watts * self._heat_gain
        self.celsius = settled + (self.celsius - settled) * constants.heat_left

    # -- slow things -------------------------------------------------------------------------------------------

    def _make_coefficients(self, seconds: float) -> _Coefficients:
        hours = seconds / 3600.0
        c, k = self.chemistry.available_fraction, self.chemistry.exchange_per_hour
        left = float(np.exp(-k * hours))
        minutes_left, hours_left = (float(np.exp(-hours / tau)) for tau in POLARISATION_HOURS)
        self._minutes_gain = (1.0 - minutes_left) * self.chemistry.minutes_ohm_ah * self._discharge_factor
        self._hours_gain = (1.0 - hours_left) * self.chemistry.hours_ohm_ah * self._discharge_factor
        blocks = self.blocks
        return _Coefficients(
            seconds,
            hours,
            left,
            (1.0 - left) / (c * k),
            minutes_left,
            hours_left,
            self._minutes_gain + self._hours_gain,
            np.exp(-seconds / (blocks.kelvin_per_watt * blocks.joules_per_kelvin)),
        )

    def _wear(self) -> None:
        hours = self._since_slow / 3600.0
        cycles = self._discharged / self.blocks.rated_amp_hours
        self.ageing.pass_time(hours, cycles, self.fill, self._cell_volts)
        self._discharged = np.zeros_like(self._discharged)
        self._since_slow = 0.0

    def _refresh_slow(self) -> None:
        """What follows temperature and wear, renewed every few minutes only."""
        # Boiling acid holds its temperature.
        self.celsius = np.minimum(self.celsius, _BOILING_CELSIUS)
        blocks, warmth = self.blocks, self.celsius - 25.0
        self.capacity = blocks.full_amp_hours * self.ageing.capacity
        self._discharge_factor = blocks.resistance * self.ageing.resistance * np.exp(-0.012 * warmth)
        self._charge_factor = self._discharge_factor * self.ageing.charge_resistance
        self._leak_now = blocks.leak_amps * np.exp2(warmth / 10.0)
        self._emf_shift = _EMF_VOLTS_PER_KELVIN * warmth
        gas = gas_log_amps(self.chemistry, blocks.rated_amp_hours, self.celsius) + np.log(blocks.gas)
        self._gas_log = gas + np.log(GAS_PER_VOLT)
        self._heat_gain = blocks.cells * blocks.kelvin_per_watt
        self._coefficients = None

    def _first_state(self) -> BankState:
        rested = self.rested_volts()
        self._cell_volts = rested / np.maximum(self.blocks.cells, 1.0)
        self._bank_volts = float(rested.sum(axis=1).mean())
        strings = len(rested)
        ambient = self.parameters.start_celsius
        return BankState(self._bank_volts, 0.0, ambient, np.zeros(strings), rested.ravel(), self.celsius.ravel().copy())
