"""Raw counts to fine units by dated scales."""

from __future__ import annotations

import numpy as np
import pytest

from loggerd.decoding.scaling import scale_at, to_fine
from loggerd.model.bank import Accuracy, SeriesScale
from loggerd.model.channels import MISSING

WIDE = (-(10**9), 10**9)


def _scale(factor: float, shift: float = 0.0, since_ms: int | None = None) -> SeriesScale:
    return SeriesScale(since_ms, factor, shift, WIDE, Accuracy())


def _fine(counts: list[int], *scales: SeriesScale, step_ms: int = 1000) -> list[int]:
    at_ms = np.arange(len(counts), dtype=np.int64) * step_ms
    return to_fine(np.array(counts, dtype=np.int64), at_ms, scales).tolist()


def test_a_shunt_of_500_amps_and_50_millivolts_read_in_microvolts() -> None:
    """1 µV is 10 mA; discharge-positive wiring turns the sign."""
    assert _fine([0, 1, -20, 50_000], _scale(-10.0)) == [0, -10, 200, -500_000]


def test_a_scale_with_an_offset_rounds_once() -> None:
    """Fahrenheit in tenths to thousandths of a degree Celsius: 68.0 °F is 20 °C, 50.1 °F is 10.0556 °C."""
    assert _fine([680, 501, -400], _scale(1000 / 18, -32_000 / 1.8)) == [20_000, 10_056, -40_000]


def test_counts_that_are_fine_units_already_are_handed_on() -> None:
    counts = np.array([1, MISSING, 3], dtype=np.int64)
    assert to_fine(counts, np.arange(3), (_scale(1.0),)) is counts


@pytest.mark.parametrize("scale", [_scale(0.5), _scale(2.5, 7.0), _scale(-1e6), _scale(1.0, 3.0)])
def test_missing_stays_missing(scale: SeriesScale) -> None:
    fine = _fine([MISSING, 4, MISSING], scale)
    assert fine[0] == fine[2] == MISSING
    assert fine[1] == round(4 * scale.factor + scale.shift)


def test_the_largest_counts_neither_overflow_nor_become_missing() -> None:
    fine = _fine([2**62, -(2**62), MISSING], _scale(1000.0))
    assert fine[0] > 0 > fine[1] > MISSING == fine[2]


def test_each_reading_takes_the_scale_of_its_time() -> None:
    scales = (_scale(1.0), _scale(10.0, since_ms=2_000), _scale(100.0, since_ms=2_001), _scale(1000.0, since_ms=4_000))
    assert _fine([1, 1, 1, 1, 1, MISSING], *scales) == [1, 1, 10, 100, 1000, MISSING]


@pytest.mark.parametrize(("since_ms", "expected"), [(-5, [7, 7]), (10**9, [1, 1]), (1_000, [1, 7])])
def test_a_correction_before_after_and_within_the_readings(since_ms: int, expected: list[int]) -> None:
    assert _fine([1, 1], _scale(1.0), _scale(7.0, since_ms=since_ms)) == expected


def test_no_readings() -> None:
    assert _fine([], _scale(2.0)) == []
    assert _fine([], _scale(2.0), _scale(3.0, since_ms=5)) == []


def test_the_scale_in_force() -> None:
    scales = (_scale(1.0), _scale(2.0, since_ms=100), _scale(3.0, since_ms=200))
    assert [scale_at(scales, at_ms).factor for at_ms in (0, 99, 100, 199, 200, 2**62)] == [1, 1, 2, 2, 3, 3]
