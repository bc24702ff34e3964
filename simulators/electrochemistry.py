"""The cell's laws: equilibrium voltage, resistance by charge, gassing, and the constants of each type of block.

Constants without a source are invented so that the curves look like those of deep-cycle banks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from loggerd.model.bank import BankType

Floats = npt.NDArray[np.float64]

LOWEST_FILL = -0.1
"""Where a cell counts as reversed: below this its plates take no more discharge."""
FILL_GRID = np.linspace(LOWEST_FILL, 1.02, 1500)
"""Fill of the available acid (0 flat, 1 full) at which the curves are tabulated; np.interp holds the ends."""


@dataclass(frozen=True)
class Chemistry:
    """Constants of one type of block; amperes and ohms are scaled by the rated amp-hours (per 100 Ah, ohm·Ah)."""

    flat_molality: float
    full_molality: float
    available_fraction: float
    """Share of the charge that is at hand at once; with `exchange_per_hour` it makes the Peukert effect."""
    exchange_per_hour: float
    ohm_ah: float
    minutes_ohm_ah: float
    hours_ohm_ah: float
    gas_milliamps: float
    """Gassing current in mA per 100 Ah at 2.23 V and 20 °C."""
    leak_milliamps: float
    """Self-discharge beside gassing, in mA per 100 Ah at 25 °C."""
    recombined: float
    absorption_volts: float
    float_volts: float
    compensation_volts: float
    """Volts per kelvin and cell that the set points are lowered above 25 °C."""


CHEMISTRIES = {
    BankType.FLOODED_ANTIMONY: Chemistry(2.0, 5.7, 0.55, 0.35, 0.24, 0.10, 0.20, 20.0, 0.6, 0.02, 2.467, 2.200, 0.005),
    BankType.FLOODED_CALCIUM: Chemistry(2.0, 5.4, 0.55, 0.35, 0.22, 0.10, 0.20, 6.0, 0.8, 0.02, 2.450, 2.230, 0.005),
    BankType.AGM: Chemistry(2.1, 6.2, 0.65, 0.50, 0.14, 0.07, 0.14, 5.0, 0.8, 0.97, 2.400, 2.270, 0.004),
    BankType.GEL: Chemistry(2.1, 6.0, 0.60, 0.40, 0.20, 0.09, 0.18, 5.0, 0.8, 0.96, 2.380, 2.260, 0.004),
}

POLARISATION_HOURS = (0.05, 2.5)
"""Time constants of the two slow polarisations: minutes and hours."""

GAS_PER_VOLT = 11.0
"""Steepness of the gassing law, per volt and cell."""
_GAS_PER_KELVIN = 0.06
_GAS_VOLTS = 2.23


def bode_volts(molality: Floats | float) -> Floats:
    """Equilibrium volts of a cell at 25 °C by acid molality in mol per kg of water.

    Polynomial of Bode (1977) as used by Sulzer et al. (2019), J. Electrochem. Soc. 166(12), 2363.
    """
    log = np.log10(molality)
    volts: Floats = np.asarray(1.922 + log * (0.148 + log * (0.063 + log * (0.074 + log * 0.034))))
    return volts


def equilibrium_volts(chemistry: Chemistry, fill: Floats | float) -> Floats:
    """Rested volts of a cell at 25 °C by its charge as a fraction (0 flat, 1 full)."""
    held = np.clip(fill, 0.0, 1.0)
    return bode_volts(chemistry.flat_molality + (chemistry.full_molality - chemistry.flat_molality) * held)


def voltage_table(chemistry: Chemistry) -> Floats:
    """Volts on FILL_GRID: equilibrium, less the fall of a cell whose acid at the plates runs out (invented)."""
    knee = np.minimum(0.28 * np.exp(-FILL_GRID / 0.022), 2.4)
    return equilibrium_volts(chemistry, FILL_GRID) - knee


def discharge_resistance_table(chemistry: Chemistry) -> Floats:
    """ohm·Ah on FILL_GRID, rising with depth (invented)."""
    depth = 1.0 - np.clip(FILL_GRID, 0.0, 1.0)
    return chemistry.ohm_ah * (1.0 + 0.9 * depth + 1.6 * depth**4)


def charge_resistance_table(chemistry: Chemistry) -> Floats:
    """ohm·Ah on FILL_GRID for charging: grows without measure towards full, so that the rest of the current gasses.

    Form after the Shepherd-type equation used by Schiffer et al. (2007), J. Power Sources 168, 66; own constants.
    """
    fill = np.clip(FILL_GRID, 0.0, 1.0)
    return chemistry.ohm_ah * (1.0 + 0.9 * (1.0 - fill) + 1.2 * fill / (1.01 - fill))


def gas_log_amps(chemistry: Chemistry, rated_amp_hours: float, celsius: Floats) -> Floats:
    """Natural log of the gassing amperes at zero volts: add `GAS_PER_VOLT` times the cell's volts.

    Exponential law in volts and temperature as in Schiffer et al. (2007); constants from memory.
    """
    at_reference = chemistry.gas_milliamps * 1e-5 * rated_amp_hours
    logs: Floats = np.log(at_reference) + _GAS_PER_KELVIN * (celsius - 20.0) - GAS_PER_VOLT * _GAS_VOLTS
    return logs


def wright_omega(z: Floats) -> Floats:
    """The w of w + ln w = z, to about 1e-4: two Newton steps from the soft ramp ln(1 + exp z)."""
    w = np.logaddexp(0.0, z)
    for _ in range(2):
        w = w * (1.0 + z - np.log(w)) / (1.0 + w)
    return w


def charge_when_full(chemistry: Chemistry, rated_amp_hours: float, rated_hours: float) -> float:
    """Amp-hours in a full block that gives its rated amp-hours in its rated hours.

    Closed form of the kinetic battery model, Manwell and McGowan (1993), Solar Energy 50(5), 399.
    """
    c, k = chemistry.available_fraction, chemistry.exchange_per_hour
    fallen = float(np.exp(-k * rated_hours))
    return rated_amp_hours / rated_hours * (1 - fallen + c * (k * rated_hours - 1 + fallen)) / (k * c)
