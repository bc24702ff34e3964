"""What readings say of their own sensors."""

from __future__ import annotations

import numpy as np
import pytest

from loggerd.decoding.inference import reading_noise, usual_interval_ms
from loggerd.model.channels import MISSING


def _noisy(level: np.ndarray, deviation: float, seed: int = 5) -> np.ndarray:
    return np.rint(level + np.random.default_rng(seed).normal(0, deviation, len(level))).astype(np.int64)


@pytest.mark.parametrize("deviation", [5.0, 50.0, 700.0])
def test_noise_of_a_steady_current(deviation: float) -> None:
    """The quietest stretches of even noise are somewhat quieter than the whole: low by up to a fourth, never high."""
    noise = reading_noise(_noisy(np.full(20_000, -15_000), deviation))
    assert 0.75 * deviation < noise < deviation


def test_neither_slopes_nor_jumps_nor_a_moving_load_count_as_noise() -> None:
    steps = np.arange(20_000)
    slope = 30_000 * np.sin(steps / 3_000)
    pulses = np.where(steps // 7 % 2 == 0, 40_000, 0) * (steps > 8_000)
    assert 35 < reading_noise(_noisy(slope + pulses, 50.0)) < 60


def test_missing_values_are_left_out() -> None:
    values = _noisy(np.full(5_000, 100), 50.0)
    values[::7] = MISSING
    assert 35 < reading_noise(values) < 60


@pytest.mark.parametrize("values", [[], [5] * 9, [1, 900] * 4, [5] * 500])
def test_no_noise_without_a_basis(values: list[int]) -> None:
    assert reading_noise(np.array(values, dtype=np.int64)) == 0.0


def test_few_readings_are_one_stretch() -> None:
    """Alternating 0 and 10: second differences of 20, so 20 / 0.6745 / sqrt(6) by hand."""
    assert reading_noise(np.array([0, 10] * 10)) == pytest.approx(12.105, abs=0.001)


def test_the_usual_interval_is_the_median() -> None:
    assert usual_interval_ms(np.array([0, 1_000, 2_001, 3_000, 90_000])) == 1_000


@pytest.mark.parametrize("at_ms", [[], [7]])
def test_too_few_readings_for_an_interval(at_ms: list[int]) -> None:
    assert usual_interval_ms(np.array(at_ms, dtype=np.int64)) == 1_000


def test_an_interval_is_never_nothing() -> None:
    assert usual_interval_ms(np.array([5, 5, 5])) == 1
