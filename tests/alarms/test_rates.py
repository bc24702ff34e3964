"""Alarm rates; numbers of ISA-18.2, IEC 62682 and EEMUA 191 as published accounts give them."""

from __future__ import annotations

import pytest
from alarm_tools import DAY, HOUR, MINUTE, SECOND, at, key_of

from loggerd.alarms.rates import (
    Episode,
    Flood,
    average_per_day,
    chattering,
    episodes_of,
    fleeting,
    flood_share,
    floods,
    priority_split,
    stale,
    top_share,
)
from loggerd.model.alarm import AlarmChange, AlarmEvent, AlarmKey, AlarmState, Priority

HOT, COLD = key_of("hot"), key_of("cold")


def episode(raised_ms: int, length_ms: int | None = 5 * SECOND, key: AlarmKey = HOT, acted: bool = False) -> Episode:
    return Episode(key, raised_ms, None if length_ms is None else raised_ms + length_ms, acted)


def test_three_times_within_a_minute_is_chattering_and_twice_is_not() -> None:
    thrice = [episode(0), episode(20 * SECOND), episode(55 * SECOND)]
    assert chattering(thrice) == {HOT}
    assert chattering(thrice[:2]) == set()
    assert chattering([*thrice[:2], episode(56 * SECOND)]) == set()
    assert chattering([*thrice[:2], episode(55 * SECOND, key=COLD)]) == set()
    assert chattering([*thrice[:2], episode(50 * SECOND, None)]) == set()


def test_one_short_event_in_an_hour_is_fleeting() -> None:
    assert fleeting([episode(0)]) == [episode(0)]
    assert fleeting([episode(0, acted=True)]) == []
    assert fleeting([episode(0, MINUTE)]) == []
    assert fleeting([episode(0, None)]) == []
    assert fleeting([episode(0), episode(20 * SECOND)]) == []
    assert len(fleeting([episode(0), episode(HOUR), episode(1, key=COLD)])) == 3


def test_ten_within_ten_minutes_begin_a_flood_and_fewer_than_five_end_it() -> None:
    minutes = [one * MINUTE for one in range(10)]
    assert floods(minutes, DAY) == [Flood(9 * MINUTE, 15 * MINUTE, 10)]
    assert floods(minutes[:9], DAY) == []
    assert floods(minutes, 14 * MINUTE) == [Flood(9 * MINUTE, None, 10)]
    assert floods([*minutes[:9], 10 * MINUTE], DAY) == []
    assert floods([*minutes[:9], 10 * MINUTE - 1], DAY) != []


def test_a_flood_goes_on_while_five_lie_in_the_last_ten_minutes() -> None:
    fast = [one * SECOND for one in range(10)]
    slow = [one * 2 * MINUTE for one in range(1, 30)]
    (flood,) = floods([*fast, *slow], DAY)
    assert (flood.start_ms, flood.alarms) == (9 * SECOND, 39)
    assert flood.end_ms == 50 * MINUTE + 10 * MINUTE
    assert len(floods([*fast, *(DAY + one for one in fast)], 2 * DAY)) == 2


def test_shares_and_averages() -> None:
    assert flood_share([Flood(HOUR, 2 * HOUR, 20)], 0, 10 * HOUR) == pytest.approx(0.1)
    assert flood_share([Flood(HOUR, None, 20)], 0, 2 * HOUR) == pytest.approx(0.5)
    assert average_per_day([episode(one * HOUR) for one in range(48)], 0, 2 * DAY) == pytest.approx(24.0)
    assert top_share([episode(0)] * 3 + [episode(0, key=COLD)], most=1) == pytest.approx(0.75)
    assert top_share([]) == 0.0
    with pytest.raises(ValueError, match="no time"):
        flood_share([], 5, 5)
    with pytest.raises(ValueError, match="no time"):
        average_per_day([], 5, 5)


def test_what_stands_for_more_than_a_day_is_stale() -> None:
    old = episode(0, None)
    assert stale([old, episode(1, None, COLD), episode(0)], DAY + 1) == [old]


def test_the_published_split_of_two_hundred_rules() -> None:
    some = [Priority.LOW] * 150 + [Priority.MEDIUM] * 30 + [Priority.HIGH] * 12 + [Priority.CRITICAL] * 8
    split = priority_split(some)
    assert [one.priority for one in split] == [Priority.LOW, Priority.MEDIUM, Priority.HIGH]
    assert [one.target for one in split] == pytest.approx([160, 30, 10])
    assert [one.deviation for one in split] == pytest.approx([-10, 0, 10])


def test_changes_make_episodes() -> None:
    normal, unacknowledged = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED

    def change(at_ms: int, event: AlarmEvent, key: AlarmKey = HOT) -> AlarmChange:
        return AlarmChange(key, at(at_ms), event, normal, unacknowledged, "loggerd")

    raised, cleared, acknowledged = AlarmEvent.RAISED, AlarmEvent.CLEARED, AlarmEvent.ACKNOWLEDGED
    changes = [
        change(0, raised),
        change(1, raised, COLD),
        change(2, acknowledged),
        change(3, cleared),
        change(4, acknowledged),
        change(5, raised),
    ]
    assert episodes_of(changes) == [
        Episode(HOT, 0, 3, True),
        Episode(COLD, 1),
        Episode(HOT, 5),
    ]
