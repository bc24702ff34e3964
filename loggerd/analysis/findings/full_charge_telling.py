"""Makes findings for topics, and keeps back those that tell nothing new."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import inf
from typing import Any

from loggerd.analysis.findings.catalogue import Moment
from loggerd.model.finding import Finding, Grade
from loggerd.model.ledger import Figure, Instant


@dataclass(frozen=True)
class Said:
    """What a topic wants to say of the bank. `half_width`: 95 %, cut where it leaves `within`; `span`: evidence from,
    to [ms]; `numbers`: details.
    """

    name: str
    verdict: str
    reason: str
    grade: Grade = Grade.OBSERVED
    value: float | None = None
    half_width: float | None = None
    since_ms: int | None = None
    span: tuple[int, int] | None = None
    numbers: Mapping[str, float | None] = field(default_factory=dict)
    within: tuple[float, float] = (-inf, inf)


def cannot_tell(name: str, reason: str, verdict: str = "cannot_tell") -> Said:
    """A refusal; the reason says what is missing."""
    return Said(name, verdict, reason, Grade.CANNOT_TELL)


def finding(said: Said, moment: Moment) -> Finding:
    """The finding as of the moment's frame."""
    session, value, half = moment.frame.session, said.value, said.half_width
    band = None
    if value is not None and half is not None:
        band = (max(value - half, said.within[0]), min(value + half, said.within[1]))
    return Finding(
        said.name,
        "bank",
        said.verdict,
        said.grade,
        said.reason,
        Instant(session, moment.frame.end_ms),
        value,
        band[0] if band else None,
        band[1] if band else None,
        None if said.since_ms is None else Instant(session, said.since_ms),
        () if said.span is None else ((Instant(session, said.span[0]), Instant(session, said.span[1])),),
        tuple(Figure(name, number) for name, number in said.numbers.items() if number is not None),
    )


@dataclass
class Teller:
    """Remembers verdict and value last told, by name of the finding."""

    last: dict[str, list[Any]] = field(default_factory=dict)

    def news(self, said: Said, moment: Moment, step: float | None = None) -> list[Finding]:
        """The finding, if its verdict is another than before, or its value differs by `step` or more (None: never)."""
        before = self.last.get(said.name)
        if before is not None and before[0] == said.verdict and not _moved(before[1], said.value, step):
            return []
        return self.tell(said, moment)

    def tell(self, said: Said, moment: Moment) -> list[Finding]:
        """The finding, in any case."""
        self.last[said.name] = [said.verdict, said.value]
        return [finding(said, moment)]


def _moved(before: float | None, now: float | None, step: float | None) -> bool:
    if step is None:
        return False
    if before is None or now is None:
        return before is not now
    return abs(now - before) >= step
