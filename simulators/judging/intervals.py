"""Exact 95 % intervals of counts, without a statistics library: bisection on the distribution's own sum."""

from __future__ import annotations

import math
from collections.abc import Callable

_BISECTIONS = 80


def poisson_interval(count: int, exposure: float) -> tuple[float, float]:
    """Two-sided 95 % interval of a rate, Garwood (1936), Biometrika 28, 437. Raises ValueError without exposure."""
    if exposure <= 0.0:
        raise ValueError("an interval of a rate needs an exposure above 0")
    top = 10.0 + 3.0 * count + 10.0 * math.sqrt(count + 1.0)
    high = _falling(lambda mean: _poisson_at_most(count, mean), 0.025, top)
    low = 0.0 if count == 0 else _falling(lambda mean: _poisson_at_most(count - 1, mean), 0.975, top)
    return low / exposure, high / exposure


def share_interval(count: int, of: int) -> tuple[float, float]:
    """Two-sided 95 % interval of a share, Clopper and Pearson (1934), Biometrika 26, 404. (0, 1) of none."""
    if of == 0:
        return 0.0, 1.0
    high = 1.0 if count == of else _falling(lambda share: _binomial_at_most(count, of, share), 0.025, 1.0)
    low = 0.0 if count == 0 else _falling(lambda share: _binomial_at_most(count - 1, of, share), 0.975, 1.0)
    return low, high


def _falling(probability: Callable[[float], float], wanted: float, top: float) -> float:
    """Where a falling probability comes to `wanted`, between 0 and `top`."""
    low, high = 0.0, top
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        if probability(middle) > wanted:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def _poisson_at_most(count: int, mean: float) -> float:
    if mean <= 0.0:
        return 1.0
    return math.fsum(math.exp(k * math.log(mean) - mean - math.lgamma(k + 1)) for k in range(count + 1))


def _binomial_at_most(count: int, of: int, share: float) -> float:
    return math.fsum(math.comb(of, k) * share**k * (1.0 - share) ** (of - k) for k in range(count + 1))
