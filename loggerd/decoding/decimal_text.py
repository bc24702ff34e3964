"""Decimal text to whole counts, exactly: "12.345" in steps of 0.001 is 12345, with no float in between."""

from __future__ import annotations

import re
from fractions import Fraction
from functools import lru_cache

# Lengths are bounded so that hostile text cannot make huge integers. A comma may stand for the point.
_NUMBER = re.compile(r"([+-]?)([0-9]{0,40})(?:[.,]([0-9]{0,40}))?(?:[eE]([+-]?[0-9]{1,3}))?")
_LARGEST = 2**63 - 1


@lru_cache(maxsize=256)
def steps_per_unit(resolution: float) -> tuple[int, int]:
    """Steps in one unit as a fraction (numerator, denominator), taking `resolution` for the decimal it is
    written as.

    0.001 gives (1000, 1). Raises ValueError unless `resolution` is positive and finite.
    """
    if not 0 < resolution < float("inf"):
        raise ValueError(f"a resolution must be a positive number, not {resolution!r}")
    steps = 1 / Fraction(repr(float(resolution)))
    return steps.numerator, steps.denominator


def count_from_text(text: str, resolution: float) -> int | None:
    """Nearest whole number of steps of `resolution` in a decimal number; halves go to the even one.

    None when the text is not a plain decimal number (sign, digits, one point or comma, exponent), or when the
    count does not fit into 64 bits.
    """
    match = _NUMBER.fullmatch(text)
    if match is None:
        return None
    sign, whole, fraction, exponent = match.groups()
    digits = whole + (fraction or "")
    if not digits:
        return None
    power = int(exponent or 0) - len(fraction or "")
    steps, per_units = steps_per_unit(resolution)
    count = _rounded(
        int(digits) * steps * 10 ** max(power, 0),
        per_units * 10 ** max(-power, 0),
    )
    if count > _LARGEST:
        return None
    return -count if sign == "-" else count


def _rounded(dividend: int, divisor: int) -> int:
    quotient, rest = divmod(dividend, divisor)
    doubled = 2 * rest
    if doubled > divisor or (doubled == divisor and quotient % 2):
        quotient += 1
    return quotient
