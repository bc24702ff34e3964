"""Small robust estimators for topics: slopes by Theil and Sen."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt


@lru_cache(maxsize=256)
def _pairs(count: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    first, second = np.triu_indices(count, 1)
    return first, second


def theil_sen(x: Sequence[float], y: Sequence[float]) -> float:
    """Median of the slopes of all pairs whose x differ; 0 if there is none.

    P. K. Sen, J. Amer. Stat. Assoc. 63 (1968) 1379. x, y (n,).
    """
    first, second = _pairs(len(x))
    along, values = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    apart = along[second] - along[first]
    known = apart != 0
    if not known.any():
        return 0.0
    return _median((values[second] - values[first])[known] / apart[known])


def _median(values: npt.NDArray[np.float64]) -> float:
    """For so few values, sooner than numpy's. `values` (n,), n > 0."""
    ranks = np.sort(values)
    return 0.5 * float(ranks[(len(ranks) - 1) // 2] + ranks[len(ranks) // 2])


def slope_with_band(x: Sequence[float], y: Sequence[float]) -> tuple[float, float, float]:
    """Slope by Theil and Sen, its 95 % half width and the robust standard deviation of what it leaves over.

    The half width goes by the median absolute deviation as if it were that of a normal law, and t = 2.1.
    """
    slope = theil_sen(x, y)
    rest = np.asarray(y, dtype=float) - slope * np.asarray(x, dtype=float)
    scatter = 1.4826 * _median(np.abs(rest - _median(rest)))
    spread = float(np.std(np.asarray(x, dtype=float))) * len(x) ** 0.5
    return slope, 2.1 * scatter / spread if spread else float("inf"), scatter
