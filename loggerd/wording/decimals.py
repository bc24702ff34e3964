"""How many decimals of a figure are worth writing."""

from __future__ import annotations

from math import floor, isfinite, log10


def carried(decimals: int, low: float | None, high: float | None) -> int:
    """No more decimals than the band carries: two digits of its half width; `decimals` without a band.

    JCGM 100:2008 (GUM) 7.2.6, from memory: it usually suffices to quote an uncertainty to at most two digits, and the
    estimate to the same place.
    """
    if low is None or high is None:
        return decimals
    half_width = (high - low) / 2
    if not isfinite(half_width) or half_width <= 0:
        return decimals
    return min(decimals, max(0, 1 - floor(log10(half_width))))
