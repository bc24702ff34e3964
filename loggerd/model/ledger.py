"""What the fold writes: ledger entries (phases, cycles, accounts, depth bands) and the figures they carry."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class PhaseKind(Enum):
    DISCHARGE = "discharge"
    REST = "rest"
    CHARGE = "charge"


class LedgerName(Enum):
    """The ledgers, which are never mixed."""

    PHASES = "phases"
    CYCLES = "cycles"
    """Discharge/charge pairs with a minimum swing."""
    FULL_TO_FULL = "full_to_full"
    """Accounts between two full charges."""
    DEPTH_BANDS = "depth_bands"
    """Rainflow counts of depth (ASTM E1049); one entry for each counted range."""


@dataclass(frozen=True)
class Instant:
    """A point on the analysis time axis.

    `session` is the run of the monotonic clock (or the imported file) that it belongs to; `at_ms` are epoch
    milliseconds as known when it was folded. A clock event of the session may correct them when they are shown.
    """

    session: int
    at_ms: int


@dataclass(frozen=True)
class Figure:
    """One figure with its 95 % band; or no value, and the reason why it cannot be told."""

    name: str
    value: float | None
    low: float | None = None
    high: float | None = None
    reason: str = ""


@dataclass(frozen=True)
class Entry:
    """One line of a ledger. `kind` is a PhaseKind value for phases, else the ledger's own word."""

    ledger: LedgerName
    kind: str
    start: Instant
    end: Instant
    complete: bool
    figures: tuple[Figure, ...]

    def figure(self, name: str) -> Figure:
        """The figure of that name. Raises KeyError."""
        for figure in self.figures:
            if figure.name == name:
                return figure
        raise KeyError(name)


@dataclass(frozen=True)
class MarkSpan:
    """A stretch in which values of one channel carried one mark."""

    channel: str
    mark: int
    start: Instant
    end: Instant
    readings: int
