"""Labels of single readings: hysteresis with a sign clause."""

from __future__ import annotations

import numpy as np
import pytest

from loggerd.analysis.labels import label_one, label_readings

HIGH, LOW = 100, 60


def _labels(currents: list[int], before: int = 0) -> list[int]:
    return label_readings(np.array(currents, dtype=np.int64), HIGH, LOW, before).tolist()


@pytest.mark.parametrize(
    ("currents", "expected"),
    [
        # a charge begins beyond 100 mA only, and holds down to 60 mA
        ([99, 100, 101, 60, 59, 60], [0, 0, 1, 1, 0, 0]),
        ([-99, -100, -101, -60, -59, -60], [0, 0, -1, -1, 0, 0]),
        # in the band a current of the other sign is no longer the same state, nor is what follows it
        ([-150, 80, -80, -150], [-1, 0, 0, -1]),
        ([150, -80, 80, 80, 150], [1, 0, 0, 0, 1]),
        # from one state to the other in one step
        ([150, -150, 150], [1, -1, 1]),
        ([0, 0], [0, 0]),
    ],
)
def test_hysteresis(currents: list[int], expected: list[int]) -> None:
    assert _labels(currents) == expected


@pytest.mark.parametrize(("before", "expected"), [(1, [1, 1]), (0, [0, 0]), (-1, [0, 0])])
def test_the_label_before_is_carried_into_the_band(before: int, expected: list[int]) -> None:
    assert _labels([80, 70], before) == expected


def test_no_readings() -> None:
    assert _labels([], 1) == []


def test_noise_near_a_threshold_does_not_flicker() -> None:
    """Half of these readings are beyond the threshold; the state is left only inside the lower one."""
    noisy = [100 + (7 * k % 41) - 20 for k in range(200)]
    labels = _labels([150, *noisy])
    assert set(labels) == {1}
    assert sum(1 for current in noisy if current > HIGH) > 80


def test_one_reading_after_another() -> None:
    assert label_one(101, HIGH, LOW, -1) == 1
    assert label_one(100, HIGH, LOW, -1) == 0
    assert label_one(-60, HIGH, LOW, -1) == -1
    assert label_one(-59, HIGH, LOW, -1) == 0
