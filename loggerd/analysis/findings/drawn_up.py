"""Small tools of heat and trends: a finding drawn up from the frame that settles it, and medians."""

from __future__ import annotations

from math import isfinite

from loggerd.analysis.frames import Frame
from loggerd.model.finding import Finding, Grade
from loggerd.model.ledger import Figure, Instant


def figures(**values: float | None) -> tuple[Figure, ...]:
    """Further numbers of a finding, those that are known."""
    return tuple(Figure(name, float(value)) for name, value in values.items() if value is not None and isfinite(value))


def tell(  # noqa: PLR0913 - a finding has that many sides, all but four by name only
    frame: Frame,
    name: str,
    verdict: str,
    reason: str,
    *,
    subject: str = "bank",
    grade: Grade = Grade.OBSERVED,
    value: float | None = None,
    band: tuple[float | None, float | None] = (None, None),
    since_ms: int | None = None,
    spans: tuple[tuple[int, int], ...] = (),
    details: tuple[Figure, ...] = (),
) -> Finding:
    """A finding at the end of a frame. `spans`: stretches of time that it rests on [ms]."""
    session = frame.session
    return Finding(
        name,
        subject,
        verdict,
        grade,
        reason,
        Instant(session, frame.end_ms),
        value,
        band[0],
        band[1],
        None if since_ms is None else Instant(session, since_ms),
        tuple((Instant(session, start), Instant(session, end)) for start, end in spans),
        details,
    )
