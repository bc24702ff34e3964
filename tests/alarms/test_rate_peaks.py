"""Peaks of alarm rates, and episodes as they stood in the past."""

from __future__ import annotations

from alarm_tools import DAY, HOUR, MINUTE, key_of

from loggerd.alarms.rates import Episode, as_of, most_within, stale


def test_the_most_in_any_span_is_found_wherever_it_lies() -> None:
    instants = [0, 30 * MINUTE, 59 * MINUTE, 60 * MINUTE, 3 * HOUR]
    assert most_within(instants, HOUR) == 3
    assert most_within(reversed(instants), HOUR) == 3
    assert most_within(instants, HOUR + 1) == 4
    assert most_within(instants, 10 * MINUTE) == 2
    assert most_within([], HOUR) == 0


def test_what_was_stale_on_a_day_in_the_past_counts_though_it_has_cleared_since() -> None:
    long = Episode(key_of("long"), 0, 3 * DAY)
    short = Episode(key_of("short"), 0, HOUR)
    later = Episode(key_of("later"), 2 * DAY)
    episodes = [long, short, later]
    assert stale(episodes, 2 * DAY) == []
    assert stale(as_of(episodes, 2 * DAY), 2 * DAY) == [Episode(long.key, 0)]
    assert stale(as_of(episodes, 3 * DAY), 3 * DAY) == []
    assert stale(as_of(episodes, 4 * DAY), 4 * DAY) == [later]
