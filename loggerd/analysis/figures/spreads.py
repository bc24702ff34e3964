"""Figures that phases, cycles and accounts share: lowest, highest and mean of what was read, and what was left out."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from loggerd.analysis.figures.catalogue import Context, FigureSpec, cannot_tell, told
from loggerd.analysis.stretch import LEFT_OUT, Spread
from loggerd.model.ledger import Figure


class HasSpreads(Protocol):
    """A phase, or a part of several."""

    @property
    def spreads(self) -> dict[str, Spread]: ...


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


def mean_volts(spreads: dict[str, Spread]) -> float:
    """Mean of the bank voltage [V]; 0.0 without one."""
    volts = spreads.get("volts")
    return volts.total / volts.count / 1000 if volts else 0.0


def _volts(spreads: dict[str, Spread]) -> Spread | None:
    return spreads.get("volts")


def _amps(spreads: dict[str, Spread]) -> Spread | None:
    return spreads.get("amps")


Chosen = Callable[[dict[str, Spread]], Spread | None]
Measure = Callable[[Spread], float]


def _figure(choose: Chosen, measure: Measure, missing: str) -> Callable[[HasSpreads, Context], Figure]:
    def find(subject: HasSpreads, _context: Context) -> Figure:
        spread = choose(subject.spreads)
        return told(measure(spread) / 1000) if spread else cannot_tell(missing)

    return find


def _low(spread: Spread) -> float:
    return spread.low


def _high(spread: Spread) -> float:
    return spread.high


def _mean(spread: Spread) -> float:
    return spread.total / spread.count


def _left_out(subject: HasSpreads, _context: Context) -> Figure:
    spread = subject.spreads.get(LEFT_OUT)
    return told(spread.count if spread else 0)


_NO_VOLTS = "no channel measured the bank voltage"
_NO_HEAT = "no channel measured a temperature"
_NO_AMPS = "no channel measured the current"

VOLTS_FIGURES: tuple[FigureSpec[HasSpreads], ...] = (
    FigureSpec("minimum_volts", "V", 3, "Lowest bank voltage.", "own", _figure(_volts, _low, _NO_VOLTS)),
    FigureSpec("maximum_volts", "V", 3, "Highest bank voltage.", "own", _figure(_volts, _high, _NO_VOLTS)),
    FigureSpec("mean_volts", "V", 3, "Mean of the voltage readings.", "own", _figure(_volts, _mean, _NO_VOLTS)),
)
AMPS_FIGURES: tuple[FigureSpec[HasSpreads], ...] = (
    FigureSpec("minimum_amps", "A", 2, "Lowest current, charge positive.", "own", _figure(_amps, _low, _NO_AMPS)),
    FigureSpec("maximum_amps", "A", 2, "Highest current, charge positive.", "own", _figure(_amps, _high, _NO_AMPS)),
)
HEAT_FIGURES: tuple[FigureSpec[HasSpreads], ...] = (
    FigureSpec("minimum_celsius", "°C", 1, "Lowest temperature.", "own", _figure(temperature, _low, _NO_HEAT)),
    FigureSpec("maximum_celsius", "°C", 1, "Highest temperature.", "own", _figure(temperature, _high, _NO_HEAT)),
    FigureSpec("mean_celsius", "°C", 1, "Mean temperature.", "own", _figure(temperature, _mean, _NO_HEAT)),
)
LEFT_OUT_FIGURE: FigureSpec[HasSpreads] = FigureSpec(
    "readings_left_out", "", 0, "Readings outside the valid range, kept but not counted.", "own", _left_out
)
