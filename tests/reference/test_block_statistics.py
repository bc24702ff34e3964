"""Statistics of the blocks against SciPy, and published voltages of resting and charged blocks."""

from __future__ import annotations

import numpy as np
import pytest
from fold_tools import bank
from frame_tools import Pipeline, ground_of, limits_of, make_frame
from scipy import stats

from loggerd.analysis.findings.blocks import Blocks
from loggerd.analysis.findings.blocks_short import cells_missing
from loggerd.analysis.findings.blocks_statistics import is_lower, low_outliers, t_critical, welch
from loggerd.analysis.findings.events import Rested


@pytest.mark.parametrize("freedom", [1.0, 2.0, 3.7, 6.0, 10.5, 22.0, 400.0])
@pytest.mark.parametrize("tail", [0.3, 0.025, 0.01 / 4, 0.01 / 24, 1e-6])
def test_quantiles_are_those_of_scipy(tail: float, freedom: float) -> None:
    assert t_critical(tail, freedom) == pytest.approx(stats.t.isf(tail, freedom), rel=1e-9)


@pytest.mark.parametrize(("blocks", "critical"), [(4, 14.1), (6, 6.3), (8, 5.0), (12, 4.3), (24, 3.9)])
def test_critical_values_of_the_studentised_deviation(blocks: int, critical: float) -> None:
    assert t_critical(0.01 / blocks, blocks - 2) == pytest.approx(critical, abs=0.05)


@pytest.mark.parametrize("seed", range(5))
def test_welch_is_that_of_scipy(seed: int) -> None:
    rng = np.random.default_rng(seed)
    earlier, later = rng.normal(0.0, 1.0, 10).tolist(), rng.normal(-0.8, 2.0, 5).tolist()
    expected = stats.ttest_ind(later, earlier, equal_var=False, alternative="less")
    t, freedom = welch(later, earlier)
    assert t == pytest.approx(expected.statistic, rel=1e-12)
    assert freedom == pytest.approx(expected.df, rel=1e-12)
    chance = float(expected.pvalue)
    assert not is_lower(later, earlier, 0.5 * chance)
    assert is_lower(later, earlier, 2.0 * chance) == (t < 0.0)


@pytest.mark.parametrize("blocks", [4, 8, 12, 24])
def test_outliers_come_as_often_as_designed(blocks: int) -> None:
    """1 % of strings without one; up to a quarter of the blocks looked at raises it a little."""
    rng = np.random.default_rng(blocks)
    false = sum(bool(low_outliers(rng.standard_normal(blocks).tolist(), 0.01)) for _ in range(1500))
    assert 4 <= false <= 36


def test_two_weak_blocks_do_not_hide_each_other() -> None:
    values = [0.01, -0.008, 0.004, 0.0, -0.003, 0.007, -0.005, 0.002, -0.2, -0.19]
    assert set(low_outliers(values, 0.01)) == {8, 9}
    # One at a time, the other one inflates the scatter: this is what is avoided.
    assert stats.t.sf((np.mean(values[:9]) + 0.19) / np.std(values[:9], ddof=1), 8) > 0.001


def test_resting_blocks_by_voltage_alone() -> None:
    """12 V at rest under 10.6 V: common practice. Bands: cells of 1.98 to 2.12 V, tolerance 0.1 V."""
    assert cells_missing(10.55, 6, after_full=True) == 1
    assert cells_missing(8.4, 6, after_full=True) == 2
    assert cells_missing(4.2, 3, after_full=True) == 1
    assert cells_missing(6.1, 4, after_full=True) == 1
    assert cells_missing(12.7, 6, after_full=True) == 0
    assert cells_missing(11.9, 6, after_full=False) is None  # Flat, not judged.


@pytest.mark.parametrize(("low", "verdict"), [(12.78, "wide"), (12.85, "even")])
def test_spread_an_hour_after_a_charge(low: float, verdict: str) -> None:
    """A battery maker's page: more than 0.30 V between 12 V blocks is a problem; 0.34 V is, 0.27 V is not."""
    of = bank(blocks=4, cells=6)
    volts = (13.10, 13.05, 13.12, low)
    frames = [make_frame(of, at, 0.0, sum(volts), block_volts=volts) for at in range(4)]
    given = {
        frame.number: [
            Rested(frame.start_ms, frame.end_ms, 1.0, 2.16, 0.015, "C", 0.0, 25.0, volts, "charge", "proven", 1.0, 0.1)
        ]
        for frame in frames
    }
    found = Pipeline(ground_of(of), limits_of(), Blocks).run(frames, given)
    told = [one for one in found if one.name == "blocks.spread"]
    assert [one.verdict for one in told] == [verdict]
    assert told[0].value == pytest.approx(1000.0 * (13.12 - low) / 6.0, abs=0.05)
