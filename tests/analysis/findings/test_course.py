"""An instrument jumps, a battery creeps: told apart by one value a day."""

from __future__ import annotations

import json

import numpy as np
import pytest

from loggerd.analysis.findings.course import Course
from loggerd.analysis.frames import DAY_MS

FIRST_DAY = 20_000


def course(values: np.ndarray) -> Course:
    """One value a day, through a restart each day."""
    one = Course()
    for day, value in enumerate(values.tolist()):
        one.add((FIRST_DAY + day) * DAY_MS + 3_600_000, value)
        one = Course.from_plain(json.loads(json.dumps(one.to_plain())))
    return one


def scattered(shape: np.ndarray, entropy: int) -> np.ndarray:
    """With 3 % of scatter from day to day."""
    return shape * (1.0 + 0.03 * np.random.default_rng(entropy).standard_normal(len(shape)))


@pytest.mark.parametrize("entropy", [11, 12, 13])
@pytest.mark.parametrize("days", [40, 80, 130])
def test_what_grows_by_a_third_over_weeks_creeps(entropy: int, days: int) -> None:
    shape = np.concatenate([np.ones(20), np.linspace(1.0, 1.35, days)])
    one = course(scattered(shape, entropy))

    assert one.crept(upward=True)
    assert not one.crept(upward=False)


@pytest.mark.parametrize("entropy", [11, 12, 13])
@pytest.mark.parametrize("factor", [1.333, 1.5, 10.0])
@pytest.mark.parametrize("after", [3, 20, 60])
def test_another_shunt_from_one_day_on_does_not_creep(entropy: int, factor: float, after: int) -> None:
    """Ratios of labels: 100 mV read as 75, 75 mV read as 50, a decimal place."""
    one = course(scattered(np.concatenate([np.ones(20), np.full(after, factor)]), entropy))

    assert not one.crept(upward=True)


def test_wrong_from_the_start_does_not_creep() -> None:
    assert not course(scattered(np.full(60, 1.5), 14)).crept(upward=True)


def test_a_fall_creeps_downward() -> None:
    assert course(scattered(np.linspace(1.0, 0.6, 60), 15)).crept(upward=False)


def test_too_few_days_tell_nothing() -> None:
    assert not course(np.linspace(1.0, 2.0, 9)).crept(upward=True)


def test_the_last_value_of_a_day_counts_and_the_state_stays_small() -> None:
    one = Course()
    for hour in range(24 * 400):
        one.add(FIRST_DAY * DAY_MS + hour * 3_600_000, float(hour + 1))

    assert one.first == [24.0, 48.0, 72.0, 96.0, 120.0]
    assert one.days[-1] == [FIRST_DAY + 399, 24.0 * 400]
    assert len(json.dumps(one.to_plain())) < 3000
