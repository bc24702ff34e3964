"""What a simulated bank is made of: its rating, how much its blocks differ, and how old it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loggerd.model.bank import Bank
from simulators.electrochemistry import CHEMISTRIES, Chemistry, Floats, charge_when_full


@dataclass(frozen=True)
class BankParameters:
    """A bank and the spread among its blocks (relative standard deviations). Invented figures."""

    bank: Bank
    capacity_spread: float = 0.015
    resistance_spread: float = 0.04
    leak_spread: float = 0.15
    gas_spread: float = 0.08
    link_ohms: float = 60e-6
    """Resistance of the link that each block's tap pair includes."""
    start_fill: float = 1.0
    start_celsius: float = 20.0
    equivalent_cycles: float = 50.0
    """Full cycles that the bank has already done."""

    @property
    def chemistry(self) -> Chemistry:
        return CHEMISTRIES[self.bank.type]


@dataclass
class Blocks:
    """One value per block, shape (strings, blocks per string). Capacities and currents are of one string."""

    cells: Floats
    """Cells that still give voltage: a shorted one no longer counts."""
    rated_amp_hours: float
    full_amp_hours: Floats
    """Charge in the block when it was new and full."""
    resistance: Floats
    """Factor on every resistance of the chemistry's tables, in ohm per ohm·Ah."""
    link_ohms: Floats
    leak_amps: Floats
    gas: Floats
    """Factor on the gassing current."""
    kelvin_per_watt: Floats
    joules_per_kelvin: Floats


def draw_blocks(parameters: BankParameters, seed: int) -> Blocks:
    """Draw the blocks of a bank; the same seed gives the same blocks."""
    bank = parameters.bank
    shape = (bank.strings, bank.blocks_per_string)
    rng = np.random.default_rng([seed, 1])
    rated = bank.rated_amp_hours / bank.strings
    full = charge_when_full(parameters.chemistry, rated, bank.rated_hours)
    size = rated * bank.cells_per_block

    def spread(relative: float) -> Floats:
        return np.exp(rng.normal(0.0, relative, shape))

    return Blocks(
        cells=np.full(shape, float(bank.cells_per_block)),
        rated_amp_hours=rated,
        full_amp_hours=full * spread(parameters.capacity_spread),
        resistance=spread(parameters.resistance_spread) / rated,
        link_ohms=parameters.link_ohms * spread(0.1),
        leak_amps=parameters.chemistry.leak_milliamps * 1e-5 * rated * spread(parameters.leak_spread),
        gas=spread(parameters.gas_spread),
        kelvin_per_watt=np.full(shape, 1000.0 / size) * spread(0.05),
        joules_per_kelvin=np.full(shape, 37.0 * size),
    )
