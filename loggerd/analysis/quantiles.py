"""Quantiles of Student's t that bands of 95 % need."""

from __future__ import annotations

from math import inf

_Z = 1.959963984540054
_TABLE = (12.706205, 4.302653, 3.182446, 2.776445, 2.570582, 2.446912, 2.364624, 2.306004, 2.262157, 2.228139)
"""For 1 to 10 degrees of freedom."""


def student_95(degrees: float) -> float:
    """Half width in standard errors of a two-sided band of 95 %, by degrees of freedom; infinite below 1.

    Above 10 the expansion of Cornish and Fisher (Abramowitz and Stegun 26.7.5). Its square is the 95 % quantile of F
    with 1 and as many degrees of freedom.
    """
    if degrees < 1:
        return inf
    if degrees <= len(_TABLE):
        return _TABLE[int(degrees) - 1]
    z, n = _Z, float(degrees)
    first = (z**3 + z) / (4 * n)
    second = (5 * z**5 + 16 * z**3 + 3 * z) / (96 * n**2)
    third = (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / (384 * n**3)
    return z + first + second + third
