"""Quiet hours are local ones, also in the nights in which clocks are set."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loggerd.outputs.quiet_hours import QuietHours, next_at_ms

VIENNA = ZoneInfo("Europe/Vienna")
NIGHT = QuietHours(time(22), time(6, 30), VIENNA)


def ms(text: str) -> int:
    """Local time in Vienna, or with an offset."""
    moment = datetime.fromisoformat(text)
    return round((moment if moment.tzinfo else moment.replace(tzinfo=VIENNA)).timestamp() * 1000)


@pytest.mark.parametrize(
    ("at", "loud"),
    [
        ("2026-05-01T12:00", "2026-05-01T12:00"),
        ("2026-05-01T22:00", "2026-05-02T06:30"),
        ("2026-05-02T06:29", "2026-05-02T06:30"),
        ("2026-05-02T06:30", "2026-05-02T06:30"),
        # The nights in which clocks go forward and back: an hour less, an hour more.
        ("2026-03-28T23:00", "2026-03-29T06:30"),
        ("2026-10-24T23:00", "2026-10-25T06:30"),
    ],
)
def test_what_comes_in_the_night_waits_for_the_morning(at: str, loud: str) -> None:
    assert NIGHT.next_loud_ms(ms(at)) == ms(loud)


def test_an_end_that_is_left_out_comes_as_much_later() -> None:
    quiet = QuietHours(time(22), time(2, 30), VIENNA)
    assert quiet.next_loud_ms(ms("2026-03-28T23:00")) == ms("2026-03-29T03:30+02:00")


def test_after_an_end_that_comes_twice_it_is_loud() -> None:
    quiet = QuietHours(time(22), time(2, 30), VIENNA)
    loud = quiet.next_loud_ms(ms("2026-10-24T23:00"))
    assert loud == ms("2026-10-25T02:30+02:00")
    assert quiet.next_loud_ms(ms("2026-10-25T02:10+01:00")) == ms("2026-10-25T02:30+01:00")


CLOCKS = st.times().map(lambda clock: clock.replace(second=0, microsecond=0, fold=0))
FIRST, LAST = (round(datetime(year, 1, 1, tzinfo=UTC).timestamp()) for year in (2024, 2028))
INSTANTS = st.integers(FIRST, LAST).map(lambda seconds: seconds * 1000)


@given(INSTANTS, CLOCKS, CLOCKS, st.sampled_from(["Europe/Vienna", "America/St_Johns", "Australia/Lord_Howe", "UTC"]))
def test_the_end_is_loud_and_never_more_than_a_day_away(at_ms: int, start: time, end: time, zone: str) -> None:
    quiet = QuietHours(start, end, ZoneInfo(zone))
    loud_ms = quiet.next_loud_ms(at_ms)
    assert at_ms <= loud_ms <= at_ms + timedelta(days=1, hours=2) / timedelta(milliseconds=1)
    assert start == end or not quiet.holds(loud_ms)
    assert loud_ms == at_ms or quiet.holds(at_ms)
    assert at_ms < next_at_ms(at_ms, end, ZoneInfo(zone)) <= at_ms + 25 * 3_600_000
