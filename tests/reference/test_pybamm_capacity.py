"""Capacity against PyBaMM's lead-acid model with a known capacity, aged by changed parameters.

Model: LOQS of V. Sulzer et al., J. Electrochem. Soc. 166(12) (2019) A2363, as shipped with PyBaMM; the truth is the
model's own discharge at the 20-hour rate down to 1.75 V.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
import pybamm
import pytest
from frame_tools import limits_of

from loggerd.analysis.findings.acid_reserve import Leg, reserve_of
from loggerd.analysis.findings.capacity_observed import worth
from loggerd.analysis.findings.capacity_run import Curve
from loggerd.analysis.findings.capacity_stretch import stretched
from loggerd.model.bank import Bank, BankType

END_VOLTS = 1.75
LIMITS = limits_of(peukert_exponent=1.04, rating_celsius=25.0)
"""The exponent of the model when it is new."""
SMALLER, ACID_LOCKED, SLOW = "smaller", "acid locked", "slow"

pybamm.set_logging_level("ERROR")


@dataclass(frozen=True)
class Cell:
    """What ages it: share of the plates' height, of the acid, of the surface of the plates."""

    height: float = 1.0
    acid: float = 1.0
    surface: float = 1.0


@lru_cache(maxsize=64)
def discharge(cell: Cell, amps: float) -> tuple[np.ndarray, np.ndarray]:
    """Amp-hours drawn and volts, from full down to END_VOLTS."""
    model = pybamm.lead_acid.LOQS()
    values = model.default_parameter_values
    values.update({"Number of cells connected in series to make a battery": 1})
    values["Electrode height [m]"] *= cell.height
    values["Initial concentration in electrolyte [mol.m-3]"] *= cell.acid
    for side in ("Negative", "Positive"):
        values[f"{side} electrode surface area to volume ratio [m-1]"] *= cell.surface
    # This model does not stop at a voltage by itself; the curve is cut where it comes to it.
    experiment = pybamm.Experiment([f"Discharge at {amps:.6f} A for {24 / amps:.3f} hours"], period="120 seconds")
    solution = pybamm.Simulation(model, experiment=experiment, parameter_values=values).solve()
    drawn, volts = amps * solution["Time [h]"].entries, solution["Voltage [V]"].entries
    last = int(np.flatnonzero(~(volts > END_VOLTS))[0])
    share = (volts[last - 1] - END_VOLTS) / (volts[last - 1] - volts[last])
    end = drawn[last - 1] + share * (drawn[last] - drawn[last - 1])
    return np.append(drawn[:last], end), np.append(volts[:last], END_VOLTS)


@lru_cache(maxsize=1)
def rating() -> float:
    """Amp-hours of a new cell at the 20-hour rate: a few rounds, since the current follows from it."""
    amp_hours = 21.0
    for _ in range(3):
        amp_hours = float(discharge(Cell(), amp_hours / 20)[0][-1])
    return amp_hours


def true_capacity(cell: Cell) -> float:
    return float(discharge(cell, rating() / 20)[0][-1])


def bank() -> Bank:
    return Bank("cell", BankType.FLOODED_ANTIMONY, 1, 1, 1, rating(), 20.0)


def seen(cell: Cell, amps: float, depth: float, rng: np.random.Generator) -> Curve:
    """The curve as read by a meter with noise and a constant error, up to a share of the rated amp-hours."""
    drawn, volts = discharge(cell, amps)
    grid = np.arange(0.01, 1.1, 0.01) * rating()
    grid = grid[grid < min(float(drawn[-1]), depth * rating())]
    read = np.interp(grid, drawn, volts) + rng.normal(0, 0.002, len(grid)) + rng.normal(0, 0.0015)
    return Curve(
        [[q, v, amps] for q, v in zip(grid.tolist(), read.tolist(), strict=True)], float(drawn[-1]), 25.0, amps
    )


@pytest.mark.parametrize("cell", [Cell(), Cell(height=0.8), Cell(acid=0.8)])
@pytest.mark.parametrize("hours", [12.0, 30.0])
def test_a_discharge_to_the_end_tells_the_capacity_within_five_percent(cell: Cell, hours: float) -> None:
    amps = rating() / hours
    drawn = float(discharge(cell, amps)[0][-1])
    value = worth(drawn, amps, 25.0, LIMITS["capacity_repeat_fraction"], bank(), LIMITS)
    truth = true_capacity(cell)
    assert value.near
    assert value.rated_amp_hours == pytest.approx(truth, rel=0.05)
    assert abs(value.rated_amp_hours - truth) <= value.rated_half_width * value.rated_amp_hours


def test_slow_plates_are_seen_by_a_discharge_to_the_end() -> None:
    slow = Cell(surface=0.01)
    truth = true_capacity(slow)
    assert truth < 0.9 * rating()
    value = worth(float(discharge(slow, rating() / 20)[0][-1]), rating() / 20, 25.0, 0.02, bank(), LIMITS)
    assert value.rated_amp_hours == pytest.approx(truth, rel=0.05)


@pytest.mark.parametrize("cell", [Cell(height=0.9), Cell(height=0.75), Cell(surface=0.1)])
@pytest.mark.parametrize("depth", [0.55, 0.7])
def test_a_stretched_curve_is_within_its_tenth(cell: Cell, depth: float) -> None:
    rng = np.random.default_rng(4)
    amps = rating() / 10
    reference = seen(Cell(), amps, 1.1, rng)
    fit = stretched(seen(cell, amps, depth, rng), reference, END_VOLTS, None)
    assert fit is not None
    truth = float(discharge(cell, amps)[0][-1])
    assert fit.amp_hours == pytest.approx(truth, rel=LIMITS["capacity_stretch_fraction"])


def test_bands_hold_the_truth_in_at_least_93_of_100_draws() -> None:
    rng = np.random.default_rng(12)
    held, draws = 0, 30
    for _ in range(draws):
        cell = Cell(height=float(rng.uniform(0.6, 1.0)), acid=float(rng.choice([1.0, 0.9, 0.8])))
        amps = rating() / float(rng.uniform(11, 35))
        read = float(discharge(cell, amps)[0][-1]) * (1 + rng.normal(0, 0.0025))
        value = worth(read, amps, 25.0, float(np.hypot(0.005, 0.02)), bank(), LIMITS)
        truth = true_capacity(cell)
        held += abs(value.rated_amp_hours - truth) <= value.rated_half_width * value.rated_amp_hours
    assert held >= 0.93 * draws


def test_the_acid_reserve_is_blind_to_locked_acid_and_the_state_when_full_is_not() -> None:
    """The model's own state of charge by its acid: what is locked is missing at full; the ratio does not show it."""
    locked = Cell(acid=0.8)
    truth = true_capacity(locked) / rating()
    assert truth < 0.85
    states = [0.8, 0.35, 0.7, 0.4]
    legs = [
        Leg(before, 0.005, after, 0.005, (after - before) * _acid_amp_hours(locked), 0.05, number > 0)
        for number, (before, after) in enumerate(pairwise(states))
    ]
    reserve = reserve_of(legs)
    assert reserve is not None
    assert reserve.amp_hours / rating() > truth + 0.1
    assert states[0] == pytest.approx(truth, abs=0.06)


def _acid_amp_hours(cell: Cell) -> float:
    """Amp-hours of an aged cell for the whole of the acid that a new one has when full."""
    model = pybamm.lead_acid.LOQS()
    values = model.default_parameter_values
    values.update({"Number of cells connected in series to make a battery": 1})
    new = values["Initial concentration in electrolyte [mol.m-3]"]
    values["Initial concentration in electrolyte [mol.m-3]"] = new * cell.acid
    experiment = pybamm.Experiment(["Discharge at 1 A for 8 hours", "Rest for 4 hours"], period="600 seconds")
    solution = pybamm.Simulation(model, experiment=experiment, parameter_values=values).solve()
    acid = solution["X-averaged electrolyte concentration [mol.m-3]"].entries
    return 8.0 * new / float(acid[0] - acid[-1])
