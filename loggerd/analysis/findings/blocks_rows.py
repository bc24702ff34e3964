"""Rows of values by block: how each stands to its peers, and to and from what can be kept."""

from __future__ import annotations

from collections.abc import Sequence
from math import isnan, nan

Row = list[float | None]


def deviations(values: Sequence[float | None], groups: Sequence[range]) -> Row:
    """Each value less the median of the others of its group; None where it or all the others are not known."""
    found: Row = [None] * len(values)
    for group in groups:
        known = sorted(value for one in group if (value := values[one]) is not None)
        count = len(known)
        if count < 2:
            continue
        half = count // 2
        for one in group:
            value = values[one]
            if value is not None:
                found[one] = value - _others(known, half, value)
    return found


def _others(known: list[float], half: int, value: float) -> float:
    """Median of the sorted values without one that equals `value`."""
    if len(known) % 2 == 0:
        return known[half] if value <= known[half - 1] else known[half - 1]
    if value < known[half]:
        return 0.5 * (known[half] + known[half + 1])
    if value > known[half]:
        return 0.5 * (known[half - 1] + known[half])
    return 0.5 * (known[half - 1] + known[half + 1])


def ohms_apart(ohms: Sequence[float | None], groups: Sequence[range]) -> Row:
    """Resistance of each block less that of its peers [ohm]."""
    return deviations(ohms, groups)


def to_row(values: Sequence[float]) -> Row:
    """NaN becomes None."""
    return [None if isnan(one) else one for one in values]


def to_floats(row: Sequence[float | None]) -> list[float]:
    """None becomes NaN."""
    return [nan if one is None else one for one in row]
