"""Amp-hours moved against the change of state of charge between rested voltages: how much charge the acid holds.

It is blind to plates that have faded and to acid that is locked as sulfate, so it is no capacity. Errors in both,
and each rest belongs to two legs: generalised least squares with the covariance that follows (errors in variables
after G. L. Plett, J. Power Sources 196 (2011) 2319; shared rests are our own addition).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from loggerd.analysis.frames import Floats
from loggerd.analysis.quantiles import student_95

_LEAST_SHARE, _MOST_SHARE = 0.05, 20.0
"""Bounds of the search, as shares of the ratio of sums."""
_GOLDEN = (math.sqrt(5) - 1) / 2


@dataclass(frozen=True)
class Leg:
    """From one rest to a later one: their states of charge with standard deviations, and the amp-hours put in between
    (negative where drawn) with theirs. `follows`: begins with the rest that the leg before it ends with."""

    state: float
    state_error: float
    next_state: float
    next_error: float
    amp_hours: float
    amp_hours_error: float
    follows: bool


@dataclass(frozen=True)
class Reserve:
    """Amp-hours for the whole change of state, with the 95 % band."""

    amp_hours: float
    low: float
    high: float
    legs: int


def reserve_of(legs: Sequence[Leg]) -> Reserve | None:
    """Generalised least squares with the profile interval; None for fewer than two legs or none that moves."""
    changes = np.array([leg.next_state - leg.state for leg in legs])
    moved = np.array([leg.amp_hours for leg in legs])
    if len(legs) < 2 or float((changes * moved).sum()) <= 0.0:
        return None
    start = float(np.abs(moved).sum() / max(np.abs(changes).sum(), 1e-12))

    def cost(log_ah: float) -> float:
        return _cost(math.exp(log_ah), legs, changes, moved)

    low, high = math.log(start * _LEAST_SHARE), math.log(start * _MOST_SHARE)
    grid = np.linspace(low, high, 121)
    best = int(np.argmin([cost(float(one)) for one in grid]))
    if best in (0, len(grid) - 1):
        return None
    middle = _minimum(cost, float(grid[best - 1]), float(grid[best + 1]))
    least = cost(middle)
    allowed = least + student_95(len(legs) - 1) ** 2 * max(1.0, least / (len(legs) - 1))
    bottom, top = _edge(cost, middle, low, allowed), _edge(cost, middle, high, allowed)
    return Reserve(math.exp(middle), math.exp(bottom), math.exp(top), len(legs))


def _cost(amp_hours: float, legs: Sequence[Leg], changes: Floats, moved: Floats) -> float:
    """r' S^-1 r with r = moved - Q changes; S is tridiagonal, so one pass of elimination does."""
    square = amp_hours**2
    total, pivot, carried = 0.0, 0.0, 0.0
    for number, leg in enumerate(legs):
        diagonal = square * (leg.state_error**2 + leg.next_error**2) + leg.amp_hours_error**2
        residual = float(moved[number]) - amp_hours * float(changes[number])
        if number and leg.follows:
            link = -square * leg.state_error**2 / pivot
            diagonal += link * square * leg.state_error**2
            residual -= link * carried
        pivot, carried = max(diagonal, 1e-300), residual
        total += carried**2 / pivot
    return total


def _minimum(cost: Callable[[float], float], low: float, high: float) -> float:
    for _ in range(40):
        first, second = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
        if cost(first) <= cost(second):
            high = second
        else:
            low = first
    return (low + high) / 2


def _edge(cost: Callable[[float], float], inside: float, outside: float, allowed: float) -> float:
    """Where the cost passes what is allowed, between a place inside and one outside."""
    if cost(outside) <= allowed:
        return outside
    for _ in range(40):
        middle = (inside + outside) / 2
        if cost(middle) <= allowed:
            inside = middle
        else:
            outside = middle
    return (inside + outside) / 2
