"""How many decimals of a figure are worth writing, and the writing."""

from __future__ import annotations

from math import floor, isfinite, log10


def carried(decimals: int, value: float | None, low: float | None, high: float | None) -> int:
    """No more decimals than the band carries: two digits of the nearer side's width; `decimals` without a band.

    JCGM 100:2008 (GUM) 7.2.6, from memory: it usually suffices to quote an uncertainty to at most two digits, and the
    estimate to the same place.
    """
    if value is None or low is None or high is None or not isfinite(high - low):
        return decimals
    sides = [side for side in (value - low, high - value) if side > 0]
    return min(decimals, max(0, 1 - floor(log10(min(sides))))) if sides else decimals


def fixed(value: float, decimals: int) -> str:
    """With so many decimals; never "-0"."""
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0 else text
