"""Estimators of trend and drift against SciPy, textbook formulas, and the Markov chain of Brook and Evans (1972)."""

from __future__ import annotations

import numpy as np
import pymannkendall
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from loggerd.analysis.findings.estimators.cusum import baseline_of, run_length, threshold_for
from loggerd.analysis.findings.estimators.forecast import crossing
from loggerd.analysis.findings.estimators.quantiles import (
    normal_cdf,
    normal_of_t,
    normal_quantile,
    t_cdf,
    t_quantile,
)
from loggerd.analysis.findings.estimators.ranks import (
    inflation,
    kendall_score,
    kendall_variance,
    lag_one,
    theil_sen,
    trend,
)
from loggerd.analysis.findings.estimators.season import temperature_slope, without_season

CHANCES = (1e-9, 1e-4, 0.01, 0.05, 0.3, 0.5, 0.8, 0.975, 0.9999)
SERIES = arrays(np.float64, st.integers(5, 40), elements=st.integers(-30, 30).map(float))


@pytest.mark.parametrize("chance", CHANCES)
def test_normal_quantiles(chance: float) -> None:
    assert normal_quantile(chance) == pytest.approx(stats.norm.ppf(chance), abs=1e-11)
    assert normal_cdf(stats.norm.ppf(chance)) == pytest.approx(chance, rel=1e-11)


@pytest.mark.parametrize("degrees", [1.0, 2.0, 3.5, 10.0, 60.0])
@pytest.mark.parametrize("chance", CHANCES)
def test_t_quantiles(chance: float, degrees: float) -> None:
    expected = stats.t.ppf(chance, degrees)
    assert t_quantile(chance, degrees) == pytest.approx(expected, rel=1e-9, abs=1e-9)
    assert t_cdf(expected, degrees) == pytest.approx(chance, rel=1e-9)
    assert normal_of_t(expected, degrees) == pytest.approx(stats.norm.ppf(chance), rel=1e-7, abs=1e-7)


@pytest.mark.parametrize("chance", [0.0, 1.0, -1.0])
def test_no_quantile_outside(chance: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        normal_quantile(chance)
    with pytest.raises(ValueError, match="between 0 and 1"):
        t_quantile(chance, 5.0)


@given(SERIES)
def test_slopes_are_those_of_scipy(values: np.ndarray) -> None:
    x = np.cumsum(1.0 + np.arange(len(values)) % 3)
    slope, low, high, intercept = theil_sen(x, values)
    expected = stats.theilslopes(values, x, 0.95)
    assert (slope, intercept) == (pytest.approx(expected.slope), pytest.approx(expected.intercept))
    assert (low, high) == (pytest.approx(expected.low_slope), pytest.approx(expected.high_slope))


@given(SERIES)
def test_scores_are_those_of_kendalls_tau(values: np.ndarray) -> None:
    """tau-b = S / sqrt((pairs - ties of x) (pairs - ties of y)); and the test of Mann and Kendall by its textbook."""
    x = np.arange(len(values), dtype=float)
    pairs = len(x) * (len(x) - 1) / 2
    _, ties = np.unique(values, return_counts=True)
    tied = (ties * (ties - 1) / 2).sum()
    score = kendall_score(x, values)
    if tied < pairs:
        assert score / np.sqrt(pairs * (pairs - tied)) == pytest.approx(stats.kendalltau(x, values).statistic)
    by_hand = sum(np.sign(values[j] - values[i]) for i in range(len(x)) for j in range(i + 1, len(x)))
    assert score == by_hand
    variance = sum(t * (t - 1) * (2 * t + 5) for t in ties.tolist())
    assert kendall_variance(x, values) == pytest.approx((len(x) * (len(x) - 1) * (2 * len(x) + 5) - variance) / 18)


def _memory(rng: np.random.Generator, number: int, phi: float, sd: float) -> np.ndarray:
    shocks = rng.standard_normal(number + 60) * sd * np.sqrt(1 - phi**2)
    series = np.zeros(number + 60)
    for one in range(1, number + 60):
        series[one] = phi * series[one - 1] + shocks[one]
    return series[60:]


@pytest.mark.parametrize("phi", [0.0, 0.3, 0.6])
def test_memory_is_found_without_bias(phi: float) -> None:
    rng = np.random.default_rng(5)
    found = [lag_one(_memory(rng, 200, phi, 1.0)) for _ in range(60)]
    assert np.mean(found) == pytest.approx(phi, abs=0.05)
    assert lag_one(np.ones(20)) == 0.0
    assert inflation(0.5) == pytest.approx(3.0)


@pytest.mark.parametrize(
    ("number", "phi", "most", "least"), [(24, 0.3, 0.12, 0.80), (24, 0.6, 0.17, 0.5), (48, 0.6, 0.12, 0.95)]
)
def test_size_and_power_of_the_trend_test(number: int, phi: float, most: float, least: float) -> None:
    """Monthly, sd 2.5 %: false trends near 5 %, a loss of 5 % a year found. The plain test is fooled by memory."""
    rng = np.random.default_rng(7)
    x = np.arange(number) / 12
    draws = [_memory(rng, number, phi, 2.5) for _ in range(150)]
    false = np.mean([trend(x, one).chance < 0.05 for one in draws])
    right = np.mean([trend(x, one - 5 * x).chance < 0.05 for one in draws])
    assert false <= most
    assert right >= least
    if phi == 0.6:
        plain = np.mean([stats.kendalltau(x, one).pvalue < 0.05 for one in draws])
        assert plain > 1.7 * false


def test_the_band_of_a_slope_holds_the_true_one() -> None:
    rng = np.random.default_rng(9)
    x = np.arange(36) / 12
    held = [
        found.low <= -3 <= found.high for found in (trend(x, _memory(rng, 36, 0.3, 2.5) - 3 * x) for _ in range(200))
    ]
    assert np.mean(held) > 0.9


def test_too_few_points_make_no_slope() -> None:
    with pytest.raises(ValueError, match="needs 4"):
        trend(np.arange(3.0), np.arange(3.0))
    with pytest.raises(ValueError, match="three points"):
        theil_sen(np.zeros(5), np.arange(5.0))
    with pytest.raises(ValueError, match="needs 5"):
        crossing(np.arange(4.0), np.arange(4.0), 0.0)


# Season


def test_without_a_prior_the_temperature_slope_is_that_of_least_squares() -> None:
    rng = np.random.default_rng(3)
    x, warm = np.arange(30) / 12, 20 + 10 * rng.standard_normal(30)
    y = 100 - 3 * x + 0.7 * (warm - 20) + rng.standard_normal(30)
    design = np.column_stack([np.ones(30), x, warm])
    expected = np.linalg.lstsq(design, y, rcond=None)[0][2]
    assert temperature_slope(x, y, warm, 5.0, 1e6) == pytest.approx(expected, rel=1e-6)
    assert temperature_slope(x, y, warm, 0.5, 1e-9) == pytest.approx(0.5, abs=1e-4)
    assert temperature_slope(x, y, warm, 0.5, 0.0) == 0.5


def test_a_prior_makes_slopes_of_a_year_usable() -> None:
    """Fade -3 % a year, 20 +- 10 °C with the seasons, coefficient 0.5 to 1 % per kelvin: errors shrink to a third."""
    rng = np.random.default_rng(4)
    plain, held = [], []
    for _ in range(100):
        x = np.arange(12) / 12
        warm = 20 + 10 * np.sin(2 * np.pi * (x + rng.uniform())) + rng.standard_normal(12)
        y = 100 - 3 * x + rng.uniform(0.5, 1.0) * (warm - 25) + 2.5 * rng.standard_normal(12)
        steady, _ = without_season(x, y, warm, 25.0, 0.75, 0.2)
        plain.append(theil_sen(x, y)[0] + 3)
        held.append(theil_sen(x, steady)[0] + 3)
    assert np.sqrt(np.mean(np.square(held))) < 5.0
    assert np.sqrt(np.mean(np.square(held))) < 0.5 * np.sqrt(np.mean(np.square(plain)))


def test_unknown_temperatures_leave_values_alone() -> None:
    y = np.arange(6.0)
    steady, slope = without_season(np.arange(6.0), y, np.full(6, np.nan), 25.0, 0.75, 0.2)
    assert (steady == y).all()
    assert slope == 0.75


# Drift


def _markov_run_length(threshold: float, allowance: float, states: int = 120, shift: float = 0.0) -> float:
    """Mean run length of a one-sided CUSUM by Brook and Evans: S on a grid, state 0 the half cell at zero."""
    width = 2 * threshold / (2 * states - 1)
    grid = np.arange(states) * width
    upper = stats.norm.cdf(grid[None, :] - grid[:, None] + width / 2 + allowance - shift)
    lower = stats.norm.cdf(grid[None, :] - grid[:, None] - width / 2 + allowance - shift)
    moves = upper - lower
    moves[:, 0] = upper[:, 0]
    return float(np.linalg.solve(np.eye(states) - moves, np.ones(states))[0])


@pytest.mark.parametrize(
    ("allowance", "length", "threshold"),
    [(0.25, 100, 4.42), (0.25, 370, 6.71), (0.25, 1000, 8.59), (0.25, 3650, 11.12), (0.5, 100, 2.85), (0.5, 370, 4.10),
     (0.5, 1000, 5.07), (0.5, 3650, 6.36), (1.0, 100, 1.53), (1.0, 370, 2.18), (1.0, 1000, 2.67), (1.0, 3650, 3.31)],
)  # fmt: skip
def test_run_lengths_without_a_drift(allowance: float, length: float, threshold: float) -> None:
    """A table by the Markov chain; Siegmund's formula agrees."""
    assert _markov_run_length(threshold, allowance) == pytest.approx(length, rel=0.03)
    assert run_length(threshold, allowance) == pytest.approx(length, rel=0.09)
    assert threshold_for(length, allowance) == pytest.approx(threshold, abs=0.05)


@pytest.mark.parametrize(("shift", "delay"), [(0.5, 28), (1.0, 8.6), (2.0, 3.4)])
def test_delay_of_a_drift(shift: float, delay: float) -> None:
    """k = 0.5 at one false alarm in 370, from the same table; and by simulation."""
    assert _markov_run_length(4.10, 0.5, shift=shift) == pytest.approx(delay, rel=0.05)
    rng = np.random.default_rng(2)
    lengths = []
    for _ in range(400):
        total, count = 0.0, 0
        while total <= 4.10:
            total, count = max(0.0, total + rng.standard_normal() + shift - 0.5), count + 1
        lengths.append(count)
    assert np.mean(lengths) == pytest.approx(delay, rel=0.15)


def test_thresholds_of_nothing_are_refused() -> None:
    with pytest.raises(ValueError, match="at least"):
        threshold_for(1.0, 0.5)


@pytest.mark.parametrize("phi", [0.0, 0.4])
def test_scores_against_a_short_baseline_are_standard_normal(phi: float) -> None:
    rng = np.random.default_rng(6)
    scores = []
    for _ in range(600):
        series = _memory(rng, 41, phi, 2.0) + 50
        known = baseline_of(series[:40].tolist(), 0.01)
        scores.append(known.score(float(series[39]), float(series[40])))
    assert np.mean(scores) == pytest.approx(0.0, abs=0.15)
    assert np.std(scores) == pytest.approx(1.0, abs=0.15)


# Forecast


@pytest.mark.parametrize(("rate", "number"), [(4.0, 24), (8.0, 12), (8.0, 24)])
def test_the_true_date_lies_in_the_band(rate: float, number: int) -> None:
    """Monthly points, sd 2.5 %, memory 0.3, from 97 % down: a band of 90 %."""
    rng = np.random.default_rng(8)
    x, left = np.arange(number) / 12, (97 - 80) / rate - (number - 1) / 12
    held = []
    for _ in range(120):
        found = crossing(x, 97 - rate * x + _memory(rng, number, 0.3, 2.5), 80.0)
        assert found.early is not None
        held.append(found.early <= left and (found.late is None or left <= found.late))
    assert np.mean(held) >= 0.84


def test_a_knee_is_not_passed_over_by_the_early_date() -> None:
    """From 2 to 10 % a year at 15 months, 24 months of data: the straight line alone would hold it in a quarter."""
    rng = np.random.default_rng(10)
    x = np.arange(24) / 12
    truth = 97 - 2 * np.minimum(x, 1.25) - 10 * np.maximum(x - 1.25, 0)
    left = (97 - 2.5 - 80) / 10 + 1.25 - x[-1]
    found = [crossing(x, truth + _memory(rng, 24, 0.3, 2.5), 80.0).early for _ in range(100)]
    assert np.mean([early is not None and early <= left for early in found]) >= 0.8


def test_a_straight_fall_crosses_where_it_does() -> None:
    x = np.arange(24) / 12
    found = crossing(x, 100 - 5 * x, 80.0)
    assert found.middle == pytest.approx(4 - 23 / 12, abs=1e-6)
    assert crossing(x, 70 - 5 * x, 80.0).middle == 0.0
    assert crossing(x, 100 + 5 * x, 80.0).middle is None


@pytest.mark.parametrize("seed", range(12))
def test_score_variance_and_slope_are_those_of_pymannkendall(seed: int) -> None:
    """pymannkendall 1.4 (Hussain and Mahmud 2019, J. Open Source Software 4(39), 1556)."""
    rng = np.random.default_rng(seed)
    length = int(rng.integers(8, 60))
    y = rng.normal(0, 1, length) + rng.uniform(-0.1, 0.1) * np.arange(length)
    if seed % 2:
        y = np.round(y, 1)  # with ties
    found = pymannkendall.original_test(y)
    x = np.arange(length, dtype=np.float64)

    assert kendall_score(x, y) == found.s
    assert kendall_variance(x, y) == pytest.approx(found.var_s)
    assert theil_sen(x, y)[0] == pytest.approx(found.slope)
