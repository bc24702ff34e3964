"""The clock of the logger, that jumps while it runs."""

from __future__ import annotations

from dataclasses import replace

import pytest
from fold_tools import bank
from frame_tools import Pipeline, ground_of, limits_of, make_frame, restarts_change_nothing

from loggerd.analysis.findings.meter import Meter
from loggerd.analysis.frames import Frame
from loggerd.model.finding import Finding
from loggerd.model.marks import Mark

HOUR_MS = 3_600_000
SIX_BACK = -6 * HOUR_MS
DAY = 288


def _frames(places: range, jumps: dict[int, int] | None = None, session: int = 1) -> list[Frame]:
    plain = {place: replace(make_frame(bank(), place, -5.0, 50.0), session=session) for place in places}
    for place, jump_ms in (jumps or {}).items():
        plain[place] = replace(plain[place], clock_jump_ms=jump_ms)
    return list(plain.values())


def _told(frames: list[Frame]) -> list[Finding]:
    return [one for one in Pipeline(ground_of(), limits_of(), Meter).run(frames) if one.name == "meter.clock"]


@pytest.mark.parametrize(("jump_ms", "hours"), [(SIX_BACK, -6.0), (HOUR_MS, 1.0)])
def test_a_clock_that_jumps_is_told_with_when_and_how_far(jump_ms: int, hours: float) -> None:
    frames = _frames(range(4 * DAY), {50: jump_ms})
    told = _told(frames)
    assert [one.verdict for one in told] == ["right", "jumped"]
    assert told[-1].value == hours
    assert told[-1].since is not None
    assert told[-1].since.at_ms == frames[50].start_ms
    assert f"{hours:+.1f} h" in told[-1].reason


def test_a_clock_that_never_jumps_is_right() -> None:
    assert [one.verdict for one in _told(_frames(range(DAY)))] == ["right"]


def test_what_several_devices_see_one_after_the_other_is_one_jump() -> None:
    told = _told(_frames(range(DAY), {50: SIX_BACK, 51: SIX_BACK + 900}))
    assert [(one.verdict, one.value) for one in told] == [("right", None), ("jumped", -6.0)]


def test_a_second_jump_adds_to_the_first_and_one_back_undoes_it() -> None:
    told = _told(_frames(range(2 * DAY), {50: SIX_BACK, 100: HOUR_MS, 200: 5 * HOUR_MS}))
    assert [(one.verdict, one.value) for one in told] == [
        ("right", None),
        ("jumped", -6.0),
        ("jumped", -5.0),
        ("right", None),
    ]


def test_a_jump_is_past_once_the_logger_was_started_anew() -> None:
    told = _told([*_frames(range(DAY), {50: SIX_BACK}), *_frames(range(DAY, 2 * DAY), session=2)])
    assert [one.verdict for one in told] == ["right", "jumped", "right"]
    assert told[-1].at.session == 2


def test_a_jump_is_past_after_months_without_another() -> None:
    told = _told([*_frames(range(DAY), {50: SIX_BACK}), *_frames(range(80 * DAY, 91 * DAY))])
    assert [one.verdict for one in told] == ["right", "jumped", "right"]
    assert "90 days" in told[-1].reason


def test_a_clock_that_is_not_set_any_more_says_that() -> None:
    frames = _frames(range(DAY), {50: SIX_BACK})
    unset = {("meter", Mark.CLOCK_NOT_SET): 300}
    frames = [replace(one, marks=unset) if place > 100 else one for place, one in enumerate(frames)]
    assert [one.verdict for one in _told(frames)] == ["right", "jumped", "not_set"]


def test_restarts_change_nothing_of_it() -> None:
    frames = [*_frames(range(DAY), {50: SIX_BACK, 51: SIX_BACK, 90: HOUR_MS}), *_frames(range(DAY, 350), session=2)]
    found = restarts_change_nothing(ground_of(), limits_of(), [Meter], frames)
    assert [one.verdict for one in found if one.name == "meter.clock"] == ["right", "jumped", "jumped", "right"]
