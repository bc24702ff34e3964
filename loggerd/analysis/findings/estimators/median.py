"""The median of a few numbers: for these, sooner than numpy's."""

from __future__ import annotations

from collections.abc import Iterable


def median(values: Iterable[float]) -> float:
    """The middle one, or the mean of the two in the middle. Raises ValueError for none."""
    ranks = sorted(values)
    if not ranks:
        raise ValueError("no values")
    half = len(ranks) // 2
    return ranks[half] if len(ranks) % 2 else 0.5 * (ranks[half - 1] + ranks[half])
