"""The cells of the judging simulator: charge kept, full stays full, rest settles, rate and cold take capacity."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from simulators.judging.cells import Cells, Demand
from simulators.judging.chemistry import LAYOUTS, bode_volts
from simulators.judging.parameters import draw_bank, stack
from simulators.judging.rating import END_VOLTS, nominal_share, rated_capacity

NAMES = sorted(LAYOUTS)


def _cells(name: str, seeds: tuple[int, ...] = (1, 2), celsius: float = 25.0, fill: float = 1.0) -> Cells:
    layout = LAYOUTS[name]
    draw = stack([draw_bank(layout, seed) for seed in seeds])
    draw.mean_celsius[:] = celsius
    draw.start_fill[:] = fill
    return Cells(layout, draw, nominal_share(name))


def _demand(cells: Cells, load: float = 0.0, charge: float = 0.0, volts: float = np.inf, air: float = 25.0) -> Demand:
    """Amperes as a share of the rated amp-hours, volts per cell."""
    banks, layout = len(cells.volts), cells.layout
    return Demand(
        np.full(banks, load * layout.rated_amp_hours),
        np.full(banks, charge * layout.rated_amp_hours),
        np.full(banks, volts * layout.cells_in_series),
        np.zeros(banks),
        np.full(banks, air),
    )


def _discharge(cells: Cells, load: float, air: float = 25.0) -> np.ndarray:
    """Ah of each bank until its mean cell comes to END_VOLTS, its blocks held at the air's temperature."""
    banks, minutes = len(cells.volts), np.zeros(len(cells.volts))
    running = np.ones(banks, dtype=bool)
    while running.any():
        cells.celsius[:] = air
        cells.step(_demand(cells, load, air=air))
        minutes += running
        running &= cells.volts / cells.layout.cells_in_series > END_VOLTS
    return minutes / 60.0 * load * cells.layout.rated_amp_hours


@pytest.mark.parametrize("name", NAMES)
def test_charge_is_kept_through_any_use(name: str) -> None:
    cells = _cells(name, fill=0.8)
    cells.condition.leak_amps[0, 0, 1] = 0.5
    cells.refresh()
    before = cells.stored.copy() + cells.lost
    rng = np.random.default_rng(4)
    for _ in range(1500):
        load, charge = rng.choice([0.0, 0.1, 0.3]), rng.choice([0.0, 0.2])
        cells.step(_demand(cells, load, charge, 2.45))
    moved = cells.stored + cells.lost - before
    assert np.abs(cells.external).max() > 1.0
    np.testing.assert_allclose(moved + cells.side + cells.leaked, cells.external + 0.0 * moved, atol=1e-8)


@pytest.mark.parametrize("name", NAMES)
def test_capacity_told_is_what_a_rated_discharge_gives(name: str) -> None:
    cells = _cells(name)
    told = rated_capacity(cells)
    given = _discharge(cells, 1.0 / cells.layout.hours)
    # The weakest block ends its string's discharge; the blocks differ by a percent or two.
    of_strings = told.mean(axis=2).sum(axis=1)
    np.testing.assert_allclose(given, of_strings, rtol=0.02)


def test_a_nominal_block_gives_its_rated_amp_hours() -> None:
    cells = _cells("solar", (0,))
    for values, nominal in ((cells.draw.design_share, 1.0), (cells.draw.resistance, 1.0)):
        values[:] = nominal
    cells.draw.fade[:] = 0.0
    fresh = Cells(cells.layout, cells.draw, nominal_share("solar"))
    assert rated_capacity(fresh).mean() == pytest.approx(225.0, rel=0.03)


def test_fast_discharges_give_less_as_peukert_says() -> None:
    slow = _discharge(_cells("solar"), 0.05)
    fast = _discharge(_cells("solar"), 0.2)
    exponent = 1.0 - np.log(fast / slow) / np.log(4.0)
    assert ((exponent > 1.1) & (exponent < 1.3)).all()


def test_cold_takes_capacity_at_a_fast_rate() -> None:
    warm = _discharge(_cells("truck"), 0.2)
    cold = _discharge(_cells("truck", celsius=-5.0), 0.2, air=-5.0)
    assert ((cold < 0.9 * warm) & (cold > 0.6 * warm)).all()


@pytest.mark.parametrize("name", NAMES)
def test_a_held_charge_comes_to_full_and_gasses_steadily(name: str) -> None:
    cells, kind = _cells(name, fill=0.5), LAYOUTS[name].chemistry
    for _ in range(20 * 60):
        cells.step(_demand(cells, 0.0, 0.2, kind.absorption_volts))
    early = cells.amps.sum(axis=(1, 2)) / cells.layout.rated_amp_hours
    for _ in range(60):
        cells.step(_demand(cells, 0.0, 0.2, kind.absorption_volts))
    late = cells.amps.sum(axis=(1, 2)) / cells.layout.rated_amp_hours
    assert (cells.fill > 0.99).all()
    assert (cells.fill <= 1.0 + 1e-12).all()
    np.testing.assert_allclose(late, early, rtol=0.05)
    assert ((late > 0.0003) & (late < 0.02)).all()
    np.testing.assert_allclose(cells.volts / cells.layout.cells_in_series, kind.absorption_volts, atol=1e-3)


@pytest.mark.parametrize("load", [0.0, 0.1])
def test_rest_comes_to_the_volts_of_the_acid(load: float) -> None:
    cells = _cells("solar", fill=0.7)
    for _ in range(120):
        cells.step(_demand(cells, load))
    steps = []
    for _ in range(6):
        before = cells.cell_volts.copy()
        for _ in range(240):
            cells.step(_demand(cells))
        steps.append(np.abs(cells.cell_volts - before).max())
    assert steps[-1] < 0.001
    if load > 0.0:
        assert steps[0] > 0.01
        assert all(later < earlier for earlier, later in pairwise(steps))
    full, flat = cells.draw.full_molality[:, None, None], cells.layout.chemistry.flat_molality
    acid = full - (full - flat) * (cells.capacity - cells.stored) / cells.design
    np.testing.assert_allclose(cells.cell_volts, bode_volts(acid), atol=0.004)


def test_full_flooded_cells_rest_where_the_trade_says() -> None:
    """Deep-cycle tables: 2.10 to 2.13 V for a full cell."""
    cells = _cells("solar", (1, 2, 3, 4))
    for _ in range(24 * 60):
        cells.step(_demand(cells))
    assert ((cells.cell_volts > 2.095) & (cells.cell_volts < 2.13)).all()


def test_surface_charge_outlives_a_charge_and_dies_of_a_small_load() -> None:
    def volts_after(load: float) -> np.ndarray:
        cells = _cells("golf", fill=0.9)
        for _ in range(6 * 60):
            cells.step(_demand(cells, 0.0, 0.1, 2.5))
        for _ in range(30):
            cells.step(_demand(cells, load))
        for _ in range(90):
            cells.step(_demand(cells))
        return cells.cell_volts

    left, removed = volts_after(0.0), volts_after(0.02)
    assert (left > 2.13).all()
    assert (removed < left - 0.006).all()


def test_heat_stays_between_air_and_boiling() -> None:
    cells = _cells("truck", fill=0.3)
    for _ in range(8 * 60):
        cells.step(_demand(cells, 0.0, 0.16, 2.6, air=20.0))
    assert ((cells.celsius > 21.0) & (cells.celsius < 55.0)).all()
    for _ in range(8 * 24 * 60):
        cells.step(_demand(cells, air=20.0))
    np.testing.assert_allclose(cells.celsius, 20.0, atol=0.2)


def test_loads_let_go_instead_of_pulling_a_bank_below_what_they_need() -> None:
    cells = _cells("solar", fill=0.5)
    cells.condition.link_ohms[:, 0, 3] = 2.0
    cells.refresh()
    demand = _demand(cells, 0.3)
    least = np.full(len(cells.volts), 36.0)
    cells.step(Demand(demand.load_amps, demand.charge_amps, demand.set_volts, least, demand.ambient_celsius))
    assert (cells.volts > 35.9).all()
    assert (cells.load_amps < 10.0).all()
    assert (cells.block_volts[:, 0, 3] < 0.0).all()
