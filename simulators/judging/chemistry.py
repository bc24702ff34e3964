"""Laws of a cell as whole arrays: equilibrium by acid, exhaustion, gassing, and the constants of each type of block.

Equilibrium: polynomial of Bode (1977) in acid molality as used by Sulzer et al. (2019), J. Electrochem. Soc. 166(12),
2363. Rate: kinetic battery model, Manwell and McGowan (1993), Solar Energy 50(5), 399. Gassing: Tafel law of both
electrodes in series, with an Arrhenius factor. Constants without a source are invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from loggerd.model.bank import BankType

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

POLARISATION_HOURS = (4.0 / 60.0, 50.0 / 60.0, 6.0)
"""Time constants of the slow polarisations: pores, plates, and the slow rest."""
ACCEPTANCE_HOURS = 2.0 / 60.0
SURFACE_HOURS = 5.0
"""Life of the surface charge that gassing leaves; drawing a little current ends it sooner."""
SURFACE_PER_DRAWN = 25.0
KNEE_VOLTS, KNEE_FILL, KNEE_MOST = 0.28, 0.022, 2.4
"""A cell whose acid at the plates runs out falls by KNEE_VOLTS * exp(-fill / KNEE_FILL), at most by KNEE_MOST."""
COLD_FILL_PER_KELVIN = 0.004
"""Below 25 °C a cell is exhausted with that much more left in it, for each kelvin; slow diffusion, round figure."""
EXCHANGE_PER_KELVIN = 0.02
LOWEST_FILL = -0.08
ACCEPTANCE_MARGIN = 0.0005
EMF_VOLTS_PER_KELVIN = 0.0002
GAS_REFERENCE_VOLTS = 2.30
_GAS_CONSTANT = 8.314
_REFERENCE_KELVIN = 298.15


@dataclass(frozen=True)
class Chemistry:
    """Typical constants of one type of block, per cell. Ohms times amp-hours, milliamps per 100 Ah at 25 °C."""

    full_molality: float
    flat_molality: float
    available: float
    exchange_per_hour: float
    ohm_ah: float
    slow_ohm_ah: tuple[float, float, float]
    acceptance_ohm_ah: float
    gas_milliamps: float
    """At GAS_REFERENCE_VOLTS."""
    leak_milliamps: float
    recombined: float
    surface_volts: float
    absorption_volts: float
    float_volts: float
    compensation_volts: float
    """Per kelvin and cell, less when warmer."""


FLOODED = Chemistry(5.57, 2.11, 0.55, 0.35, 0.22, (0.07, 0.10, 0.12), 0.27, 52.0, 0.6, 0.02, 0.045, 2.467, 2.200, 0.005)
TRACTION = Chemistry(
    6.00, 1.75, 0.66, 0.50, 0.20, (0.05, 0.08, 0.10), 0.26, 60.0, 0.6, 0.02, 0.045, 2.400, 2.200, 0.005
)
AGM = Chemistry(6.25, 2.20, 0.64, 0.50, 0.13, (0.05, 0.07, 0.10), 0.22, 12.0, 0.7, 0.97, 0.030, 2.400, 2.270, 0.004)


def bode_volts(molality: Floats) -> Floats:
    """Equilibrium volts of a cell at 25 °C by mol of acid per kg of water."""
    log = np.log10(molality)
    volts: Floats = 1.922 + log * (0.148 + log * (0.063 + log * (0.074 + log * 0.034)))
    return volts


def knee_volts(fill: Floats) -> Floats:
    """Fall of a cell whose acid at hand runs out, by what is at hand as a fraction of capacity."""
    fall: Floats = np.minimum(KNEE_VOLTS * np.exp(np.minimum(fill / -KNEE_FILL, 3.0)), KNEE_MOST)
    return fall


def depth_factor(depth: Floats) -> Floats:
    """Growth of the discharge resistance with depth (0 full, 1 flat)."""
    square = depth * depth
    factor: Floats = 1.0 + 0.9 * depth + 1.6 * square * square
    return factor


def arrhenius(celsius: Floats, joules_per_mol: Floats | float) -> Floats:
    """Factor on a rate, 1 at 25 °C."""
    kelvin = celsius + 273.15
    factor: Floats = np.exp(joules_per_mol / _GAS_CONSTANT * (1.0 / _REFERENCE_KELVIN - 1.0 / kelvin))
    return factor


@dataclass(frozen=True)
class Layout:
    """A kind of site: its bank and how it is used. `hours` is what `rated_amp_hours` (of the bank) is stated for."""

    name: str
    site: str
    type: BankType
    strings: int
    blocks_per_string: int
    cells_per_block: int
    rated_amp_hours: float
    hours: float
    chemistry: Chemistry

    @property
    def cells_in_series(self) -> int:
        return self.blocks_per_string * self.cells_per_block

    @property
    def blocks(self) -> int:
        return self.strings * self.blocks_per_string

    @property
    def string_amp_hours(self) -> float:
        return self.rated_amp_hours / self.strings


_F = BankType.FLOODED_ANTIMONY
LAYOUTS = {
    layout.name: layout
    for layout in (
        Layout("solar", "solar", _F, 1, 8, 3, 225.0, 20.0, FLOODED),
        Layout("solar_agm", "solar", BankType.AGM, 2, 4, 6, 300.0, 20.0, AGM),
        Layout("truck", "truck", _F, 1, 10, 4, 620.0, 5.0, TRACTION),
        Layout("truck_48", "truck", _F, 1, 12, 2, 500.0, 5.0, TRACTION),
        Layout("golf", "golf", _F, 1, 6, 4, 170.0, 20.0, FLOODED),
        Layout("golf_36", "golf", _F, 1, 6, 3, 225.0, 20.0, FLOODED),
    )
}
SITES = ("solar", "truck", "golf")
