"""Findings: judged statements about a bank, a string, a block, a link or a sensor."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from loggerd.model.ledger import Figure, Instant


class Grade(Enum):
    """How far a figure can be trusted."""

    TESTED = "tested"
    """A protocol was run for it."""
    OBSERVED = "observed"
    """Ordinary use carried it."""
    INFERRED = "inferred"
    """Extrapolated, by a stated rule."""
    CANNOT_TELL = "cannot tell"
    """The reason says what is missing."""


class Quality(Enum):
    """How good the readings were that a finding rests on."""

    GOOD = "good"
    FAIR = "fair"
    POOR = "poor"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class Finding:
    """A judged statement, as it stood at one instant. The newest of a (name, subject) is what holds.

    `subject` is what it speaks of: "bank", "string 2", "block 7", "link 7", or a channel's name. `verdict` is one of
    the words that the catalogue lists for this finding. `value` with its 95 % band `low` to `high` is in the unit of
    the catalogue; None if there is no number, or none can be told. `reason` says in words why; of a finding graded
    "cannot tell", what is missing. `evidence`: spans of time it rests on (start and end, on the analysis axis).
    `details`: further numbers, named. `since`: when the state that it speaks of began, as far as can be told.
    """

    name: str
    subject: str
    verdict: str
    grade: Grade
    reason: str
    at: Instant
    value: float | None = None
    low: float | None = None
    high: float | None = None
    since: Instant | None = None
    evidence: tuple[tuple[Instant, Instant], ...] = ()
    details: tuple[Figure, ...] = ()
    quality: Quality = Quality.UNKNOWN
    quality_reason: str = ""

    @property
    def key(self) -> tuple[str, str]:
        """What a newer finding of the same thing has in common with it."""
        return (self.name, self.subject)
