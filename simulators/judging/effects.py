"""What each fault does to the bank, its charger and its loads, by severity and the days since it began.

Sizes are invented: mild is what a careful keeper would like to know, severe is what nobody should overlook.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from simulators.judging.chemistry import Floats, Layout
from simulators.judging.faults import SENSOR_CAUSES, Fault
from simulators.judging.habits import MINUTES
from simulators.judging.site import Sites


@dataclass(frozen=True)
class _Place:
    """One bank of a batch, and the block that the fault sits in."""

    sites: Sites
    bank: int
    string: int
    block: int

    @property
    def at(self) -> tuple[int, int, int]:
        return (self.bank, self.string, self.block)

    @property
    def rated(self) -> float:
        return self.sites.layout.string_amp_hours


_Effect = Callable[[_Place, int, float], None]
"""Sets the condition for a severity (0 to 2) and the days since the fault began (0 or more)."""


def _ramp(days: float, length: float) -> float:
    """0 at the beginning, 1 after `length` days."""
    return min((days + 0.5) / length, 1.0)


def _sulfation(place: _Place, severity: int, days: float) -> None:
    place.sites.cells.condition.sulfate[place.bank] = (0.10, 0.20, 0.32)[severity] * _ramp(days, 75.0)


def _stratification(place: _Place, severity: int, days: float) -> None:
    """Somebody ends charges as soon as they begin to gas and equalizes no more: no gas, so heavy acid stays below.

    Set points and currents stay right, so charge is missing too, but for a solar float that goes on quietly. Rates of
    layering are invented: tall cells are taken to be layered by some cycles.
    """
    place.sites.cells.condition.layering[place.bank] = (0.3, 0.6, 1.0)[severity]
    place.sites.chargers.hours_share[place.bank] = (0.15, 0.08, 0.04)[severity]


def _shorted_cell(place: _Place, severity: int, days: float) -> None:
    """Mild creeps: a leak that grows until the cell gives nothing; the worse ones are there at once."""
    cells = place.sites.layout.cells_per_block - 1.0
    state = place.sites.cells.condition
    creeping = (20.0, 3.0, 0.0)[severity]
    if days >= creeping:
        state.cells[place.at] = max(cells, 0.0)
    else:
        state.leak_amps[place.at] = 0.004 * place.rated * (days + 0.5) / creeping


def _dry_out(place: _Place, severity: int, days: float) -> None:
    state, severe = place.sites.cells.condition, (0.82, 0.74, 0.66)[severity]
    lost = (1.0 - severe) * _ramp(days, 80.0)
    state.water[place.bank] = 1.0 - lost
    state.ohmic[place.bank] = 1.0 + 2.2 * lost
    state.gas[place.bank] = 1.0 + 4.0 * lost


def _grid_corrosion(place: _Place, severity: int, days: float) -> None:
    state, lost = place.sites.cells.condition, (0.10, 0.20, 0.32)[severity] * _ramp(days, 150.0)
    state.plate[place.bank] = 1.0 - lost
    state.ohmic[place.bank] = 1.0 + 2.5 * lost


def _active_material_wear(place: _Place, severity: int, days: float) -> None:
    lost = (0.10, 0.20, 0.32)[severity] * _ramp(days, 150.0)
    place.sites.cells.condition.plate[place.bank] = 1.0 - lost


def _loose_link(place: _Place, severity: int, days: float) -> None:
    """Ohms per ampere-hour of the string: 0.25 ohm·Ah is about what one healthy cell has."""
    ohms = (0.12, 0.35, 1.0)[severity] / place.rated
    place.sites.cells.condition.link_ohms[place.at] = ohms * _ramp(days, 10.0)


def _thermal_runaway(place: _Place, severity: int, days: float) -> None:
    """Drying sealed cells recombine more and cool less, in a hot room, on a charger that compensates no more."""
    state = place.sites.cells.condition
    grown = _ramp(days, (30.0, 20.0, 10.0)[severity])
    state.gas[place.bank] = 1.0 + (7.0, 15.0, 30.0)[severity] * grown
    state.heat_path[place.bank] = 1.0 + (0.6, 0.9, 1.2)[severity] * grown
    place.sites.ambient_shift[place.bank] = (4.0, 7.0, 10.0)[severity] * grown
    place.sites.chargers.compensation_share[place.bank] = 0.0
    place.sites.chargers.hours_share[place.bank] = 4.0


def _out_of_balance(place: _Place, severity: int, days: float) -> None:
    """A block that lags: it lost charge once, and a little more of its own accord each day than is made good."""
    cells = place.sites.cells
    if days < 1.0:
        taken = (0.08, 0.15, 0.25)[severity] * cells.capacity[place.at]
        cells.stored[place.at] -= taken
        cells.lost[place.at] += taken
    cells.condition.leak_amps[place.at] = (0.0004, 0.0008, 0.0015)[severity] * place.rated


def _low_capacity_block(place: _Place, severity: int, days: float) -> None:
    state, lost = place.sites.cells.condition, (0.08, 0.18, 0.35)[severity] * _ramp(days, 30.0)
    state.plate[place.at] = 1.0 - lost
    state.ohmic[place.at] = 1.0 + 0.5 * lost


def _unequal_strings(place: _Place, severity: int, days: float) -> None:
    """By chance, one string has lost capacity, or its link has resistance."""
    state, where = place.sites.cells.condition, (place.bank, place.string)
    if place.block % 2 == 0:
        state.size[where] = 1.0 - (0.15, 0.28, 0.45)[severity] * _ramp(days, 30.0)
        return
    state.link_ohms[(*where, place.block)] = (0.6, 1.5, 4.0)[severity] / place.rated * _ramp(days, 5.0)


def _parasitic_load(place: _Place, severity: int, days: float) -> None:
    place.sites.parasitic_amps[place.bank] = (0.002, 0.005, 0.012)[severity] * place.sites.layout.rated_amp_hours


def _set_point_low(place: _Place, severity: int, days: float) -> None:
    place.sites.chargers.shift[place.bank] = -(0.04, 0.08, 0.14)[severity]


def _set_point_high(place: _Place, severity: int, days: float) -> None:
    place.sites.chargers.shift[place.bank] = (0.04, 0.08, 0.14)[severity]


def _compensation_wrong(place: _Place, severity: int, days: float) -> None:
    """Mild: half of it; moderate: none; severe: the probe hangs in the cold."""
    place.sites.chargers.compensation_share[place.bank] = (0.4, 0.0, 1.0)[severity]
    if severity == 2:
        place.sites.chargers.probe_celsius[place.bank] = place.sites.draw.mean_celsius[place.bank] - 18.0


def _over_discharge(place: _Place, severity: int, days: float) -> None:
    """Loads are not switched off any more, and for three days in six people use as much between two charges as the bank
    holds or more, whatever they used before: a fixed factor left banks in light use at half of it.
    """
    place.sites.cut_shift[place.bank] = -(0.15, 0.25, 0.5)[severity]
    between_charges = 0.7 if place.sites.layout.site == "solar" else 1.0
    usual = float(place.sites.draw.depth[place.bank]) * between_charges
    heavy = (0.85, 1.0, 1.2)[severity] / usual
    place.sites.load_share[place.bank] = heavy if int(days) % 6 < 3 else 1.0


def _freezing_risk(place: _Place, severity: int, days: float) -> None:
    """A hard frost on a bank that does not get charged."""
    cold = _ramp(days, 4.0)
    place.sites.ambient_shift[place.bank] = -((24.0, 30.0, 38.0)[severity]) * cold
    place.sites.sun_share[place.bank] = 0.12
    place.sites.chargers.amps_share[place.bank] = 0.05
    place.sites.cut_shift[place.bank] = -0.06


def _overcharge(place: _Place, severity: int, days: float) -> None:
    """Far too many hours: of absorption under the sun, of the finishing current on a plug. The voltages stay right: a
    set point that is too high is a fault of its own."""
    if place.sites.layout.site == "solar":
        place.sites.chargers.hours_share[place.bank] = (1.6, 3.5, 6.0)[severity]
        place.sites.chargers.tail_share[place.bank] = 0.0
    else:
        place.sites.chargers.finish_share[place.bank] = (2.5, 4.0, 6.0)[severity]


def _contamination(place: _Place, severity: int, days: float) -> None:
    state = place.sites.cells.condition
    state.leak_amps[place.at] = (0.0015, 0.004, 0.009)[severity] * place.rated * _ramp(days, 10.0)
    state.gas[place.at] = 1.0 + (0.8, 1.6, 3.0)[severity] * _ramp(days, 10.0)


def _chronic_undercharge(place: _Place, severity: int, days: float) -> None:
    """Too little sun for what is used, or a charge that somebody ends early."""
    sites, bank = place.sites, place.bank
    if sites.layout.site == "solar":
        sites.sun_share[bank] = (0.32, 0.26, 0.20)[severity]
        sites.load_share[bank] = (1.1, 1.2, 1.3)[severity]
        sites.generator_share[bank] = 0.0
    sites.chargers.hours_share[bank] = (0.12, 0.05, 0.0)[severity]
    sites.chargers.amps_share[bank] = (0.8, 0.6, 0.5)[severity]


def _nothing(place: _Place, severity: int, days: float) -> None:
    """A fault of the measuring changes nothing in the bank; an open cell comes and goes by the minute."""


_EFFECTS: dict[str, _Effect] = {
    "sulfation": _sulfation,
    "stratification": _stratification,
    "shorted_cell": _shorted_cell,
    "open_cell": _nothing,
    "dry_out": _dry_out,
    "grid_corrosion": _grid_corrosion,
    "loose_link": _loose_link,
    "thermal_runaway": _thermal_runaway,
    "out_of_balance": _out_of_balance,
    "low_capacity_block": _low_capacity_block,
    "unequal_strings": _unequal_strings,
    "parasitic_load": _parasitic_load,
    "set_point_low": _set_point_low,
    "set_point_high": _set_point_high,
    "compensation_wrong": _compensation_wrong,
    "over_discharge": _over_discharge,
    "freezing_risk": _freezing_risk,
    "overcharge": _overcharge,
    "contamination": _contamination,
    "active_material_wear": _active_material_wear,
    "chronic_undercharge": _chronic_undercharge,
}


def apply(faults: list[Fault | None], sites: Sites, day: int) -> Floats | None:
    """Set the condition of each bank (one fault or none each) for that day, and return the ohms that open joints add
    minute by minute (see `Sites.run_day`), or None."""
    extra: Floats | None = None
    for bank, fault in enumerate(faults):
        if fault is None or day < fault.begin_day or fault.cause in SENSOR_CAUSES:
            continue
        string, block = _indices(fault, sites.layout)
        place = _Place(sites, bank, string, block)
        _EFFECTS[fault.cause](place, fault.severity, float(day - fault.begin_day))
        if fault.cause == "open_cell":
            if extra is None:
                extra = np.zeros((MINUTES, *sites.cells.capacity.shape))
            extra[:, bank, string, block] = _open_minutes(fault, sites.seeds[bank], day, sites.layout)
    sites.cells.refresh()
    return extra


def _indices(fault: Fault, layout: Layout) -> tuple[int, int]:
    if fault.block:
        string, block = divmod(fault.block - 1, layout.blocks_per_string)
        return string, block
    # A fault of a whole string keeps a block of it, by chance, for where its link is bad.
    return max(fault.string - 1, 0), int(fault.draw * layout.blocks_per_string)


def _open_minutes(fault: Fault, seed: int, day: int, layout: Layout) -> Floats:
    """Ohms of a broken strap: spells in which it hardly touches."""
    rng = np.random.default_rng([seed, 11, day])
    ohms = np.zeros(MINUTES)
    spells = int(rng.poisson((1.5, 4.0, 10.0)[fault.severity]))
    for _ in range(spells):
        start = int(rng.uniform(6, 22) * 60)
        length = int(rng.uniform(3, (20, 40, 90)[fault.severity]))
        ohms[start : start + length] = 120.0 * float(rng.uniform(0.7, 3.0)) / layout.string_amp_hours
    return ohms
