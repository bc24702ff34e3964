"""What an entry of a catalogue of figures is."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

from loggerd.analysis.plan import BankPlan, Thresholds
from loggerd.analysis.stretch import Spread
from loggerd.model.ledger import Figure

Subject = TypeVar("Subject")


@dataclass(frozen=True)
class Context:
    """What a figure may look at besides its subject. `volts_gain`: gain error of the voltage channel (fraction)."""

    plan: BankPlan
    limits: Thresholds
    volts_gain: float = 0.0

    @property
    def energy_gain(self) -> float:
        return math.hypot(self.limits.gain, self.volts_gain)


@dataclass(frozen=True)
class FigureSpec(Generic[Subject]):
    """One figure of a ledger: its name, unit and decimals, what it means to a keeper, and how it is found.

    `source` is the published source of the method, or "common practice" or "own".
    """

    name: str
    unit: str
    decimals: int
    explanation: str
    source: str
    find: Callable[[Subject, Context], Figure]


def told(value: float, low: float | None = None, high: float | None = None) -> Figure:
    """A figure with a value; the catalogue gives it its name."""
    return Figure("", value, low, high)


def cannot_tell(reason: str) -> Figure:
    """A figure without a value, and why."""
    return Figure("", None, reason=reason)


def figures_of(catalogue: tuple[FigureSpec[Subject], ...], subject: Subject, context: Context) -> tuple[Figure, ...]:
    """All figures of a catalogue for one subject."""
    found = []
    for spec in catalogue:
        figure = spec.find(subject, context)
        found.append(Figure(spec.name, figure.value, figure.low, figure.high, figure.reason))
    return tuple(found)


def lowest(spread: Spread | None, what: str) -> Figure:
    return told(spread.low / 1000) if spread else cannot_tell(f"no channel measured {what}")


def highest(spread: Spread | None, what: str) -> Figure:
    return told(spread.high / 1000) if spread else cannot_tell(f"no channel measured {what}")


def average(spread: Spread | None, what: str) -> Figure:
    return told(spread.total / spread.count / 1000) if spread else cannot_tell(f"no channel measured {what}")


def count(spreads: dict[str, Spread], name: str) -> int:
    """Number of readings under that name."""
    return spreads[name].count if name in spreads else 0


def temperature(spreads: dict[str, Spread]) -> Spread | None:
    """All block temperatures together; the ambient temperature where no block has one."""
    together: Spread | None = None
    for name, spread in sorted(spreads.items()):
        if name.endswith("_celsius") and name.startswith("block_"):
            if together is None:
                together = Spread(spread.low, spread.high, spread.total, spread.count)
            else:
                together.add(spread)
    return together or spreads.get("ambient_celsius")
