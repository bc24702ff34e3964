"""Normal and Student's t distributions by small series: no statistics library is needed at run time."""

from __future__ import annotations

from math import erfc, exp, lgamma, log, pi, sqrt

_STEPS = 200
_TINY = 1e-300


def normal_cdf(z: float) -> float:
    """Chance that a standard normal lies below z."""
    return 0.5 * erfc(-z / sqrt(2.0))


def normal_quantile(chance: float) -> float:
    """The z below which a standard normal lies with that chance. Raises ValueError outside (0, 1).

    Newton's method from a rough start, on the complementary error function (full precision in the lower tail).
    """
    if not 0.0 < chance < 1.0:
        raise ValueError(f"chance {chance}: a quantile needs one between 0 and 1")
    if chance > 0.5:
        return -normal_quantile(1.0 - chance)
    # Rough start: Abramowitz and Stegun 26.2.22.
    t = sqrt(-2.0 * log(chance))
    z = -(t - (2.30753 + 0.27061 * t) / (1.0 + t * (0.99229 + 0.04481 * t)))
    for _ in range(8):
        density = exp(-0.5 * z * z) / sqrt(2.0 * pi)
        step = (normal_cdf(z) - chance) / density
        # Halley's term keeps far tails from overshooting.
        z -= step / (1.0 + 0.5 * z * step)
        if abs(step) < 1e-14 * (1.0 + abs(z)):
            break
    return z


def t_cdf(t: float, degrees: float) -> float:
    """Chance that Student's t with so many degrees of freedom lies below t. Raises ValueError without a degree."""
    if degrees <= 0.0:
        raise ValueError(f"{degrees} degrees of freedom: Student's t needs more than 0")
    tail = 0.5 * _incomplete_beta(0.5 * degrees, 0.5, degrees / (degrees + t * t))
    return tail if t < 0.0 else 1.0 - tail


def t_quantile(chance: float, degrees: float) -> float:
    """The t below which Student's t lies with that chance: bisection. Raises ValueError outside (0, 1)."""
    if not 0.0 < chance < 1.0:
        raise ValueError(f"chance {chance}: a quantile needs one between 0 and 1")
    if chance == 0.5:
        return 0.0
    if chance > 0.5:
        return -t_quantile(1.0 - chance, degrees)
    low, high = -1.0, 0.0
    while t_cdf(low, degrees) > chance:
        low, high = 2.0 * low, low
    for _ in range(_STEPS):
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        if t_cdf(middle, degrees) < chance:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def normal_of_t(t: float, degrees: float) -> float:
    """The standard normal that is as rare as this t."""
    tail = t_cdf(-abs(t), degrees)
    z = normal_quantile(max(tail, _TINY)) if tail < 0.5 else 0.0
    return -z if t > 0.0 else z


def _incomplete_beta(a: float, b: float, x: float) -> float:
    """Regularized incomplete beta function by its continued fraction (Abramowitz and Stegun 26.5.8)."""
    if x <= 0.0 or x >= 1.0:
        return 0.0 if x <= 0.0 else 1.0
    front = exp(lgamma(a + b) - lgamma(a) - lgamma(b) + a * log(x) + b * log(1.0 - x))
    if x < (a + 1.0) / (a + b + 2.0):
        return front * _fraction(a, b, x) / a
    return 1.0 - front * _fraction(b, a, 1.0 - x) / b


def _fraction(a: float, b: float, x: float) -> float:
    """Continued fraction of the incomplete beta function, by Lentz's method."""
    c, d = 1.0, 1.0 / _away_from_zero(1.0 - (a + b) * x / (a + 1.0))
    value = d
    for m in range(1, _STEPS):
        even = m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m))
        d, c = 1.0 / _away_from_zero(1.0 + even * d), _away_from_zero(1.0 + even / c)
        value *= d * c
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0))
        d, c = 1.0 / _away_from_zero(1.0 + odd * d), _away_from_zero(1.0 + odd / c)
        value *= d * c
        if abs(d * c - 1.0) < 1e-15:
            break
    return value


def _away_from_zero(value: float) -> float:
    return value if abs(value) > _TINY else _TINY
