"""Amp-hours that full blocks give at the rated rate and 25 °C: the truth that capacity findings are held against."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from simulators.judging import chemistry as laws
from simulators.judging.cells import Cells
from simulators.judging.chemistry import LAYOUTS, Floats
from simulators.judging.parameters import draw_bank, stack

END_VOLTS = 1.75
_BISECTIONS = 22
_ROUNDS = 12


def rated_capacity(cells: Cells) -> Floats:
    """Ah of each block from full to END_VOLTS per cell at the rated current and 25 °C, shape (banks, strings, blocks).

    Closed form of the kinetic battery model for what is left in the end; the end by bisection on the cell's volts.
    """
    layout, draw, kind = cells.layout, cells.draw, cells.layout.chemistry
    amps = layout.string_amp_hours / layout.hours
    column = (slice(None), None, None)
    available, exchange = draw.available[column], draw.exchange[column]
    full, flat = draw.full_molality[column], kind.flat_molality
    state = cells.condition
    share = draw.resistance * state.ohmic / cells.live_design
    slow = sum(kind.slow_ohm_ah) * share / np.sqrt(state.plate)
    low, high = np.full(cells.design.shape, -0.05), np.full(cells.design.shape, 0.98)
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        used = (1.0 - middle) * cells.capacity / cells.live_design + cells.sulfate
        volts = laws.bode_volts(np.maximum((full - (full - flat) * used) / state.water, 0.3)) - laws.knee_volts(middle)
        volts = volts - amps * (kind.ohm_ah * share * laws.depth_factor(np.clip(1.0 - middle, 0, 1)) + slow)
        low = np.where(volts < END_VOLTS, middle, low)
        high = np.where(volts < END_VOLTS, high, middle)
    given = cells.capacity * 0.9
    for _ in range(_ROUNDS):
        lag = amps / (available * exchange) * (1.0 - np.exp(-exchange * np.maximum(given, 0.0) / amps))
        given = cells.capacity * (1.0 - high) - (1.0 - available) * lag
    return np.maximum(given, 0.0)


@lru_cache(maxsize=16)
def nominal_share(name: str) -> float:
    """Amp-hours in a full nominal block of a layout for each rated amp-hour."""
    layout = LAYOUTS[name]
    draw = stack([draw_bank(layout, 0)])
    draw.design_share[:] = 1.0
    draw.fade[:] = 0.0
    draw.resistance[:] = 1.0
    draw.available[:] = layout.chemistry.available
    draw.exchange[:] = layout.chemistry.exchange_per_hour
    draw.full_molality[:] = layout.chemistry.full_molality
    share = 1.0
    for _ in range(6):
        given = float(rated_capacity(Cells(layout, draw, share)).mean())
        share *= layout.string_amp_hours / given
    return share
