"""Depth bands against ASTM E1049-85(2017), 5.4.4, and against the `rainflow` package, which implements it."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import pytest
import rainflow
from hypothesis import given
from hypothesis import strategies as st

from loggerd.analysis.depth_bands import DepthCounter


def _counts(series: list[float], gate: float = 1e-9) -> list[tuple[float, float]]:
    """(range, count) of a path given as depths below full; the path starts at its first value."""
    counter = DepthCounter(gate, depth=series[0])
    counts = []
    for number, (before, after) in enumerate(pairwise(series)):
        counts += counter.push(before - after, (1, number), (1, number + 1))
    counts += counter.residue()
    return [(count.depth, count.count) for count in counts]


def test_worked_example_of_the_standard() -> None:
    """ASTM E1049-85, figure 6: -2, 1, -3, 5, -1, 3, -4, 4, -2; lifted by 10, since a depth is not negative."""
    series = [value + 10.0 for value in (-2, 1, -3, 5, -1, 3, -4, 4, -2)]
    totals: Counter[float] = Counter()
    for depth, count in _counts(series):
        totals[depth] += count
    assert dict(totals) == {3.0: 0.5, 4.0: 1.5, 6.0: 0.5, 8.0: 1.0, 9.0: 0.5}


def test_path_length_is_kept() -> None:
    """Twice the sum of range x count is the length of the path: 46 on the standard's series (own arithmetic)."""
    series = [value + 10.0 for value in (-2, 1, -3, 5, -1, 3, -4, 4, -2)]
    assert 2 * sum(depth * count for depth, count in _counts(series)) == 46.0


def test_jagged_profile() -> None:
    """Depth 5, 95, 50, 85, 10, 50, 5, 95, 5 %: ranges 35, 40 once and 90 twice (lifetime test of an open library)."""
    totals: Counter[float] = Counter()
    for depth, count in _counts([5, 95, 50, 85, 10, 50, 5, 95, 5]):
        totals[depth] += count
    assert dict(totals) == {35.0: 1.0, 40.0: 1.0, 90.0: 2.0}


@given(st.lists(st.integers(0, 200), min_size=3, max_size=60))
def test_equals_the_rainflow_package(series: list[int]) -> None:
    ours: Counter[float] = Counter()
    for depth, count in _counts([float(value) for value in series]):
        ours[depth] += count
    theirs: Counter[float] = Counter()
    for depth, _mean, count, _start, _end in rainflow.extract_cycles(series):
        theirs[float(depth)] += count
    turning = [value for number, value in enumerate(series) if number == 0 or value != series[number - 1]]
    if len(list(rainflow.reversals(turning))) < 3:
        return  # the package gives nothing for a path with no reversal; the standard's residue is one half cycle
    assert {key: value for key, value in ours.items() if key} == {key: value for key, value in theirs.items() if key}


def test_small_reversals_are_not_counted() -> None:
    """Noise below the gate on a 5/95 square wave leaves 249 cycles of 90 (250 repeats, lifetime test as above)."""
    series: list[float] = []
    for number in range(250):
        series += [5.0, 5.8 if number % 3 else 5.2, 95.0, 94.3 if number % 2 else 94.9]
    counts = [count for depth, count in _counts(series, gate=5.0) if depth > 80]
    assert sum(counts) == pytest.approx(249.5, abs=0.6)
