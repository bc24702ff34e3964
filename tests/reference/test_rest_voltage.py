"""Rested voltages against outside values: trade tables, a published relaxation, SciPy, PyBaMM's lead-acid models."""

from __future__ import annotations

import numpy as np
import pytest
from fold_tools import bank as small_bank
from frame_tools import Pipeline, ground_of, limits_of, make_frame
from hypothesis import given
from hypothesis import strategies as st
from pybamm_streams import CELLS, RATED_AMP_HOURS, STRINGS, Step, solve
from scipy.optimize import nnls

from loggerd.analysis.findings.events import Rested
from loggerd.analysis.findings.full_charge_reading import reading_of
from loggerd.analysis.findings.rest import Rest
from loggerd.analysis.findings.rest_charge import state_of_charge
from loggerd.analysis.findings.rest_extrapolation import GRID_MINUTES, extrapolate, nonnegative_least_squares
from loggerd.model.bank import BankType


@pytest.mark.parametrize(
    ("block_volts", "share"), [(12.65, 1.0), (12.45, 0.75), (12.24, 0.5), (12.06, 0.25), (11.89, 0.0)]
)
def test_trade_table_of_flooded_blocks(block_volts: float, share: float) -> None:
    """Trade table for 12 V flooded blocks; the preset is rounded to 0.1 mV per cell."""
    assert state_of_charge(block_volts / 6, limits_of()) == pytest.approx(share, abs=1e-3)


def test_table_is_straight_between_its_rows_and_ends_at_them() -> None:
    limits = limits_of()
    assert state_of_charge((limits["rest_volts_75"] + limits["rest_volts_50"]) / 2, limits) == pytest.approx(0.625)
    assert state_of_charge(2.3, limits) == 1.0
    assert state_of_charge(1.8, limits) == 0.0


def test_published_relaxation_after_charge_is_not_rested_after_an_hour() -> None:
    """A sealed 12 V block of 35 Ah: 15.0 V at the end of charge, 14.4 after 1 min, 14.1 after 15 min, 13.6 after 1 h,
    13.2 after 5 h, 13.1 after 24 h (one run, published by a keeper of batteries).
    """
    minutes = [1, 15, 60, 300, 1440]
    seen = [14.4, 14.1, 13.6, 13.2, 13.1]

    def run(hours: float) -> list[Rested]:
        bank = small_bank(35.0, blocks=1)
        frames = [make_frame(bank, number, 3.0, 15.0) for number in range(24)]
        for number in range(round(12 * hours)):
            volts = float(np.interp(np.log(5.0 * (number + 0.5)), np.log(minutes), seen))
            frames.append(make_frame(bank, len(frames), 0.0, volts))
        frames.append(make_frame(bank, len(frames), -5.0, 12.5))
        pipeline = Pipeline(ground_of(bank), limits_of(BankType.AGM), Rest)
        pipeline.run(frames)
        return [one for one in pipeline.events if isinstance(one, Rested)]

    assert all(one.grade == "C" for one in run(1.0))
    (five,) = run(5.0)
    assert five.grade == "B"
    settled = 13.1 / 6
    assert abs(five.volts_per_cell - settled) < 13.2 / 6 - settled


@pytest.mark.parametrize(
    ("volts", "at", "slope", "celsius", "expected"),
    [(2.23333, 25.0, -0.005, 30.0, 2.20833), (2.400, 25.0, -0.005, 35.0, 2.350), (2.300, 25.0, -0.003, 15.0, 2.330)],
)
def test_compensation_of_charging_voltages(
    volts: float, at: float, slope: float, celsius: float, expected: float
) -> None:
    """Charging notes and makers' guides: 13.40 V at 25 °C is 13.25 V at 30 °C (5 mV, 6 cells); 57.60 V is 56.40 V at
    35 °C (24 cells); 2.30 V per cell is 2.33 V at 15 °C (3 mV). What a right charger holds reads as its set point.
    """
    bank = small_bank()
    limits = {**limits_of(), "temperature_slope": slope, "reference_celsius": at}
    frame = make_frame(bank, 0, 5.0, expected * bank.cells_in_series, celsius=celsius)
    reading = reading_of(frame, bank.cells_in_series, limits)
    assert reading is not None
    assert reading.at_reference == pytest.approx(volts, abs=1e-5)


@given(st.integers(0, 2**32 - 1), st.integers(1, 6), st.integers(1, 14))
def test_least_squares_is_that_of_scipy(seed: int, columns: int, rows: int) -> None:
    rng = np.random.default_rng(seed)
    matrix, values = rng.normal(size=(rows, columns)), rng.normal(size=rows)
    mine, theirs = nonnegative_least_squares(matrix, values), nnls(matrix, values)
    assert (mine >= 0).all()
    assert np.linalg.norm(matrix @ mine - values) == pytest.approx(theirs[1], abs=1e-8)


@pytest.mark.long
@pytest.mark.parametrize("model", ["LOQS", "Full"])
@pytest.mark.parametrize("minutes", [30, 60])
def test_extrapolated_rests_hold_the_final_voltage_of_pybamm(model: str, minutes: int) -> None:
    """Rests after discharges and charges of random depth and rate; noise as of a meter, averaged over five minutes."""
    rng = np.random.default_rng([minutes, len(model)])
    inside = []
    for _ in range(15):
        out = float(rng.uniform(1.5, 4.0)) * STRINGS
        depth = float(rng.uniform(0.2, 0.7)) * RATED_AMP_HOURS
        back = float(rng.uniform(0.9, 1.8)) * STRINGS
        steps = [Step(-out, int(3600 * depth / out)), Step(0.0, 12 * 3600)]
        steps += [Step(back, int(3600 * 0.6 * depth / back)), Step(0.0, 12 * 3600)]
        stream = solve(tuple(steps), model, 60.0)
        for rest, after_charge in ((1, False), (3, True)):
            start, end = stream.bounds[rest], stream.bounds[rest + 1]
            grid = [one for one in GRID_MINUTES if one <= minutes]
            times = [start + 60.0 * one - 150.0 for one in grid]
            seen = np.interp(times, stream.t, stream.volts) / CELLS + rng.normal(0, 0.0005, len(times))
            settled = extrapolate(seen.tolist(), [], after_charge)
            truth = float(np.interp(end - 60.0, stream.t, stream.volts)) / CELLS
            inside.append(abs(settled.volts - truth) <= settled.half_width)
    assert np.mean(inside) >= 0.93
