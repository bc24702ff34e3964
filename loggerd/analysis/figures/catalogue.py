"""What an entry of a catalogue of figures is."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

from loggerd.analysis.plan import BankPlan, Thresholds
from loggerd.model.ledger import Figure

Subject_contra = TypeVar("Subject_contra", contravariant=True)


@dataclass(frozen=True)
class Context:
    """What a figure may look at besides its subject.

    `volts_gain` and `volts_offset` [V]: limits of error of the bank voltage.
    """

    plan: BankPlan
    limits: Thresholds
    volts_gain: float = 0.0
    volts_offset: float = 0.0

    def energy_gain(self, volts: float, gain: float) -> float:
        """Relative error of power at a bank voltage, from that of the current (`gain`), but for its offset."""
        share = self.volts_offset / volts if volts > 0 else 0.0
        return math.hypot(gain, self.volts_gain, share)


@dataclass(frozen=True)
class FigureSpec(Generic[Subject_contra]):
    """One figure of a ledger: its name, unit and decimals, what it means to a keeper, and how it is found.

    `source` is the published source of the method, or "common practice" or "own".
    """

    name: str
    unit: str
    decimals: int
    explanation: str
    source: str
    find: Callable[[Subject_contra, Context], Figure]


def told(value: float, low: float | None = None, high: float | None = None) -> Figure:
    """A figure with a value; the catalogue gives it its name."""
    return Figure("", value, low, high)


def cannot_tell(reason: str) -> Figure:
    """A figure without a value, and why."""
    return Figure("", None, reason=reason)


def figures_of(
    catalogue: tuple[FigureSpec[Subject_contra], ...], subject: Subject_contra, context: Context
) -> tuple[Figure, ...]:
    """All figures of a catalogue for one subject."""
    found = []
    for spec in catalogue:
        figure = spec.find(subject, context)
        value, low, high = map(_plain_zero, (figure.value, figure.low, figure.high))
        found.append(Figure(spec.name, value, low, high, figure.reason))
    return tuple(found)


def _plain_zero(value: float | None) -> float | None:
    """A zero without a sign: the record does not keep the sign of zero, and what is stored must equal what is told."""
    return None if value is None else value + 0.0
