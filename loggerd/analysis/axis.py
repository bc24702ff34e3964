"""The analysis time axis: epoch milliseconds that never run backward and, within a session, count monotonic time.

A session is one run of the monotonic clock, or one imported file. Its offset to epoch milliseconds is taken once, as
the wall clock stood when the session began; if that would overlap what came before, the clock was wrong: the session
is put right after, and how long the pause was is unknown. What the wall clock says later corrects the times shown,
never the figures.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from loggerd.model.ledger import Instant
from loggerd.model.scan import ClockState


@dataclass(frozen=True)
class SessionSpan:
    """What the record knows of a session, in fold order. Offsets are epoch minus monotonic milliseconds."""

    session: int
    start_mono_ms: int
    start_offset_ms: int
    start_clock: ClockState
    last_mono_ms: int
    last_offset_ms: int
    last_clock: ClockState
    interval_ms: Mapping[str, int] = field(default_factory=dict)
    by_wall: bool = False


@dataclass(frozen=True)
class SessionAxis:
    """at_ms = mono_ms + offset_ms. `correction_ms` is to be added when a time of this session is shown.

    `gap_unknown`: how long the pause before this session was cannot be told. `interval_ms`: the usual time between
    scans of each device during this session. `by_wall`: an imported file, whose own times are all there is. `order`:
    its place in the order in which sessions are folded.
    """

    session: int
    offset_ms: int
    gap_unknown: bool = False
    correction_ms: int = 0
    interval_ms: Mapping[str, int] = field(default_factory=dict)
    by_wall: bool = False
    order: int = 0


def shown_ms(axes: Mapping[int, SessionAxis], at: Instant) -> int:
    """An instant as it is shown: with what the clock of its session was corrected by later."""
    axis = axes.get(at.session)
    return at.at_ms + (axis.correction_ms if axis is not None else 0)


def session_axes(sessions: Sequence[SessionSpan]) -> dict[int, SessionAxis]:
    """The axis of each session. A session still under way may be among them, as the last one.

    Offset and gap go by what was known when a session began, so that a fold made then and one made today agree.
    """
    axes: dict[int, SessionAxis] = {}
    end: int | None = None
    was_set = True
    for order, span in enumerate(sessions):
        offset = span.start_offset_ms
        pushed = end is not None and offset + span.start_mono_ms <= end
        if pushed and end is not None:
            offset = end + 1 - span.start_mono_ms
        is_set = span.start_clock is ClockState.SET
        unknown = end is not None and (pushed or not is_set or not was_set)
        correction = span.last_offset_ms - offset if span.last_clock is ClockState.SET else 0
        axes[span.session] = SessionAxis(
            span.session, offset, unknown, correction, span.interval_ms, span.by_wall, order
        )
        end = span.last_mono_ms + offset
        was_set = is_set
    return axes
