"""Drift detection with a designed rate of false alarms: one-sided CUSUM of standardised scores.

S = max(0, S + z - k), alarm at S > h. Run length by Siegmund 1985 (from memory; equal to the Markov chain of Brook and
Evans 1972 to a few per cent). Scores of a baseline that still grows: Hawkins 1987, self-starting CUSUM (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import expm1, sqrt

import numpy as np

from loggerd.analysis.findings.estimators.quantiles import normal_of_t
from loggerd.analysis.findings.estimators.ranks import lag_one

_SIEGMUND = 1.166
_LEAST_DEGREES = 3


def run_length(threshold: float, allowance: float) -> float:
    """Mean number of scores until a false alarm, one side: (exp(2 k b) - 2 k b - 1) / (2 k^2), b = h + 1.166."""
    turn = 2.0 * allowance * (threshold + _SIEGMUND)
    return (expm1(turn) - turn) / (2.0 * allowance**2)


def threshold_for(length: float, allowance: float) -> float:
    """The h at which a false alarm comes every so many scores. Raises ValueError for less than 2."""
    if length < 2.0:
        raise ValueError(f"a false alarm every {length} scores: needs 2 at least")
    low, high = 0.0, 200.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if run_length(middle, allowance) < length else (low, middle)
    return 0.5 * (low + high)


@dataclass(frozen=True)
class Baseline:
    """How a series behaved at first: mean, standard deviation of what its memory leaves, lag-1 correlation, number."""

    mean: float
    spread: float
    memory: float
    number: int

    def score(self, before: float | None, value: float, doubt: float = 0.0) -> float:
        """Standard normal score of a value after the one before, if the series is still as it was.

        `before`: None where nothing comes just before. `doubt`: standard deviation of what is not known of this value
        beside (of its correction).
        """
        memory = self.memory if before is not None else 0.0
        expected = self.mean + memory * ((before or 0.0) - self.mean) if before is not None else self.mean
        # Without the value before, the whole spread of the series counts.
        alone = self.spread if before is not None else self.spread / sqrt(1.0 - self.memory**2)
        lift = (1.0 - memory) ** 2 * (1.0 + self.memory) / (1.0 - self.memory)
        variance = alone**2 * (1.0 + lift / self.number) + doubt**2
        degrees = max(self.number - 2, _LEAST_DEGREES)
        return normal_of_t((value - expected) / sqrt(variance), degrees)


def baseline_of(values: Sequence[float], least_spread: float) -> Baseline:
    """The baseline of at least two values. `least_spread`: what readings of this kind can be told apart by."""
    series = np.array(values)
    mean = float(series.mean())
    memory = lag_one(series)
    rest = series - mean
    shocks = rest[1:] - memory * rest[:-1]
    spread = sqrt(float((shocks**2).sum()) / max(len(shocks) - 1, 1))
    return Baseline(mean, max(spread, least_spread), memory, len(values))
