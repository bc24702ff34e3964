"""The time axis of sessions."""

from __future__ import annotations

from dataclasses import replace

import pytest

from loggerd.analysis.axis import SessionAxis, SessionSpan, session_axes
from loggerd.model.scan import ClockState

NOON = 1_750_000_000_000


def _span(session: int, starts_at_ms: int, lasts_ms: int = 60_000, mono_ms: int = 5_000) -> SessionSpan:
    """A session whose monotonic clock showed `mono_ms` when the wall clock showed `starts_at_ms`."""
    offset = starts_at_ms - mono_ms
    return SessionSpan(session, mono_ms, offset, ClockState.SET, mono_ms + lasts_ms, offset, ClockState.SET)


def test_a_session_stands_where_the_wall_clock_stood_when_it_began() -> None:
    axis = session_axes([replace(_span(7, NOON), interval_ms={"shunt": 500})])[7]
    assert axis == SessionAxis(7, NOON - 5_000, False, 0, {"shunt": 500})


def test_a_pause_between_two_right_clocks_is_known() -> None:
    axes = session_axes([_span(1, NOON), _span(2, NOON + 90_000)])
    assert [axes[one].offset_ms for one in (1, 2)] == [NOON - 5_000, NOON + 85_000]
    assert not axes[1].gap_unknown
    assert not axes[2].gap_unknown


@pytest.mark.parametrize("starts_at_ms", [NOON - 10**9, NOON, NOON + 59_999, NOON + 60_000])
def test_a_session_that_would_overlap_is_put_right_after_and_the_pause_is_unknown(starts_at_ms: int) -> None:
    """The first session ended a minute after noon; a clock that says otherwise is wrong."""
    axes = session_axes([_span(1, NOON), _span(2, starts_at_ms), _span(3, NOON + 10**6)])
    assert axes[2].offset_ms + 5_000 == NOON + 60_001
    assert axes[2].gap_unknown
    assert not axes[3].gap_unknown


def test_a_session_that_began_with_a_clock_not_set_has_unknown_pauses_on_both_sides() -> None:
    not_set = replace(_span(2, NOON + 70_000), start_clock=ClockState.NOT_SET, last_clock=ClockState.NOT_SET)
    axes = session_axes([_span(1, NOON), not_set, _span(3, NOON + 300_000)])
    assert [axes[one].gap_unknown for one in (1, 2, 3)] == [False, True, True]
    assert axes[2].correction_ms == 0


def test_a_clock_that_is_set_later_corrects_the_times_shown_and_nothing_else() -> None:
    """Begun at a wrong date and set 100 days ahead in the course: what is folded keeps its place on the axis."""
    days = 100 * 86_400_000
    begun = replace(_span(1, NOON), start_clock=ClockState.NOT_SET)
    later = replace(begun, last_offset_ms=begun.start_offset_ms + days, last_clock=ClockState.SET)
    before, after = session_axes([begun])[1], session_axes([later])[1]
    assert (after.offset_ms, after.gap_unknown) == (before.offset_ms, before.gap_unknown)
    assert (before.correction_ms, after.correction_ms) == (0, days)


def test_a_session_that_was_pushed_back_is_corrected_by_the_clock_it_had() -> None:
    axes = session_axes([_span(1, NOON), _span(2, NOON - 10_000)])
    assert axes[2].correction_ms == -10_000 - 60_001


def test_times_never_run_backward_over_any_sessions() -> None:
    starts = [NOON, NOON - 500, NOON + 10**7, 0, NOON + 5]
    spans = [_span(number, start) for number, start in enumerate(starts, 1)]
    axes = session_axes(spans)
    end = -1
    for span in spans:
        begin = span.start_mono_ms + axes[span.session].offset_ms
        assert begin > end
        end = span.last_mono_ms + axes[span.session].offset_ms
