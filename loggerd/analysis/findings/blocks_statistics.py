"""Tests that tell a block that is low from one that is low by chance.

Several outliers: Rosner 1983, Technometrics 25(2), 165, here one-sided. Two samples of unequal variance: Welch 1947,
Biometrika 34, 28. Both from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

from loggerd.analysis.findings.estimators.quantiles import t_cdf, t_quantile


@lru_cache(maxsize=512)
def t_critical(tail: float, freedom: float) -> float:
    """The t that is passed with the chance `tail`, on one side."""
    return -t_quantile(tail, freedom)


def mean(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values)


def variance(values: Sequence[float]) -> float:
    """With n - 1; 0 of a single value."""
    middle = mean(values)
    return math.fsum((one - middle) ** 2 for one in values) / max(len(values) - 1, 1)


def welch(later: Sequence[float], earlier: Sequence[float]) -> tuple[float, float]:
    """t and degrees of freedom of the difference of two means; t is negative when the later ones are lower."""
    one, other = variance(later) / len(later), variance(earlier) / len(earlier)
    spread = one + other
    if spread <= 0.0:
        return math.copysign(math.inf, mean(later) - mean(earlier)) if mean(later) != mean(earlier) else 0.0, 1.0
    freedom = spread**2 / (one**2 / (len(later) - 1) + other**2 / (len(earlier) - 1))
    return (mean(later) - mean(earlier)) / math.sqrt(spread), freedom


def is_lower(later: Sequence[float], earlier: Sequence[float], tail: float) -> bool:
    """Whether the later values are lower, with that chance of saying so where they are not."""
    t, freedom = welch(later, earlier)
    return t < 0.0 and (math.isinf(t) or t_cdf(t, freedom) < tail)


def low_outliers(values: Sequence[float], chance: float) -> list[int]:
    """Positions of values that are too low to be of one population with the others, lowest first.

    Externally studentised at `chance` / n for the lowest of the n that are left, looked at for up to a quarter of
    them, so that two low ones do not hide each other. At least 4 values, else none.
    """
    order = sorted(range(len(values)), key=lambda one: values[one])
    found = 0
    for removed in range(max(1, len(values) // 4)):
        rest = [values[one] for one in order[removed:]]
        if len(rest) >= 4 and _is_low(rest[0], rest[1:], chance / len(rest)):
            found = removed + 1
    return order[:found]


def _is_low(value: float, others: Sequence[float], tail: float) -> bool:
    deviation = math.sqrt(variance(others) * (1.0 + 1.0 / len(others)))
    return value < mean(others) - t_critical(tail, len(others) - 1) * deviation
