"""Trend of a short, noisy, autocorrelated series: Theil-Sen slope, and Mann-Kendall's test inflated for memory.

Theil 1950; Sen 1968, J. Am. Stat. Assoc. 63, 1379; Kendall 1975 for the variance with ties (from memory). The memory
is taken as AR(1): variance times (1 + r) / (1 - r), r from the series without its trend and with its bias taken out.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
import numpy.typing as npt

from loggerd.analysis.findings.estimators.quantiles import normal_cdf, normal_quantile

Floats = npt.NDArray[np.float64]
MOST_MEMORY = 0.95


@dataclass(frozen=True)
class Slope:
    """Slope per unit of x with its 95 % band, and the chance that a series without a trend shows as much.

    `memory`: lag-1 correlation left after the trend. `chance`: two-sided.
    """

    slope: float
    low: float
    high: float
    intercept: float
    memory: float
    chance: float


def theil_sen(x: Floats, y: Floats, variance_factor: float = 1.0) -> tuple[float, float, float, float]:
    """Median of all pairs' slopes, its 95 % band (low, high), and the intercept.

    x, y (n,), n >= 3, x not all the same. `variance_factor` widens the band for autocorrelation.
    Raises ValueError with fewer or equal x.
    """
    slopes = _pair_slopes(x, y)
    slope = float(np.median(slopes))
    intercept = float(np.median(y) - slope * np.median(x))
    half = normal_quantile(0.975) * sqrt(kendall_variance(x, y) * variance_factor)
    lower = round((len(slopes) - half) / 2.0)
    upper = round((len(slopes) + half) / 2.0)
    low = float(slopes[max(lower - 1, 0)])
    high = float(slopes[min(upper, len(slopes) - 1)])
    return slope, low, high, intercept


def kendall_score(x: Floats, y: Floats) -> int:
    """S: pairs that rise less pairs that fall."""
    first, second = np.triu_indices(len(x), 1)
    return int((np.sign(x[second] - x[first]) * np.sign(y[second] - y[first])).sum())


def kendall_variance(x: Floats, y: Floats) -> float:
    """Variance of S where nothing trends, with ties of y (those of x are taken not to occur)."""
    n = len(x)
    _, ties = np.unique(y, return_counts=True)
    return float(n * (n - 1) * (2 * n + 5) - (ties * (ties - 1) * (2 * ties + 5)).sum()) / 18.0


def lag_one(residuals: Floats) -> float:
    """Lag-1 correlation with its bias of (1 + 4 r) / n taken out, from 0 to MOST_MEMORY; 0 for a constant series."""
    n = len(residuals)
    middle = residuals - residuals.mean()
    total = float((middle * middle).sum())
    if n < 4 or total <= 0.0:
        return 0.0
    r = float((middle[1:] * middle[:-1]).sum()) / total
    return min(MOST_MEMORY, max(0.0, r + (1.0 + 4.0 * r) / n))


def inflation(memory: float) -> float:
    """How much the variance of a mean or a rank score grows with a lag-1 correlation."""
    return (1.0 + memory) / (1.0 - memory)


def trend(x: Floats, y: Floats) -> Slope:
    """Theil-Sen slope of a series (n,), n >= 4, in order of x. Raises ValueError with fewer or equal x."""
    if len(x) < 4:
        raise ValueError(f"{len(x)} points: a trend needs 4")
    plain, _, _, intercept = theil_sen(x, y)
    memory = lag_one(y - plain * x - intercept)
    factor = inflation(memory)
    slope, low, high, intercept = theil_sen(x, y, factor)
    score, spread = kendall_score(x, y), sqrt(kendall_variance(x, y) * factor)
    z = (abs(score) - 1.0) / spread if score and spread > 0.0 else 0.0
    return Slope(slope, low, high, intercept, memory, min(1.0, 2.0 * normal_cdf(-z)))


def _pair_slopes(x: Floats, y: Floats) -> Floats:
    first, second = np.triu_indices(len(x), 1)
    run = x[second] - x[first]
    apart = run != 0.0
    if len(x) < 3 or not apart.any():
        raise ValueError("a slope needs three points, not all at one place")
    slopes: Floats = np.sort((y[second] - y[first])[apart] / run[apart])
    return slopes
