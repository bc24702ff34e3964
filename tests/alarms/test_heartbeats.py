"""Which signs of life count, when a site is silent, and who is told how often."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loggerd.alarms.heartbeats import (
    DAY_MS,
    LONGEST_INTERVAL_MS,
    UNHEARD_MS,
    Heartbeat,
    Notice,
    NoticeKind,
    WatchState,
    heard,
    heartbeat_of,
    looked,
    overdue_ms,
    unheard,
)
from loggerd.alarms.heartbeats_plain import state_from_plain, state_to_plain

HOUR_MS = 3_600_000
GRACE_MS = 2 * HOUR_MS
SENT_MS = 1_795_586_700_000
START_MS = 5_000_000
ANNA = {"anna": DAY_MS}
TOLD = {"site": "Hut", "number": 7, "sent_at": "2026-11-25T06:00:00+01:00", "next_due": "2026-11-26T05:00:00Z"}


def beat(number: int, sent_ms: int, interval_ms: int = DAY_MS) -> Heartbeat:
    return Heartbeat("Hut", sent_ms, sent_ms + interval_ms, number)


def test_a_sign_of_life_is_read() -> None:
    told = heartbeat_of(TOLD)
    assert (told.site, told.number, told.interval_ms) == ("Hut", 7, DAY_MS)


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"site": ""}, "which site"),
        ({"site": 3}, "which site"),
        ({"number": "7"}, "number"),
        ({"number": True}, "number"),
        ({"number": -1}, "number"),
        ({"number": 2**80}, "number"),
        ({"sent_at": "2026-11-25T06:00:00"}, "sent_at is no time"),
        ({"sent_at": None}, "sent_at is no time"),
        ({"next_due": "tomorrow"}, "next_due is no time"),
        ({"next_due": 5}, "next_due is no time"),
        ({"next_due": TOLD["sent_at"]}, "not due within"),
        ({"next_due": "2026-12-25T05:00:00Z"}, "not due within"),
        ({"sent_at": "9999-12-31T23:59:59-12:00"}, "not due within"),
    ],
)
def test_what_is_none_is_refused_in_words(changed: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        heartbeat_of({**TOLD, **changed})


@given(st.dictionaries(st.sampled_from([*TOLD]), st.none() | st.booleans() | st.integers() | st.text() | st.floats()))
def test_anything_else_is_a_value_error(changed: dict[str, object]) -> None:
    try:
        told = heartbeat_of({**TOLD, **changed})
    except ValueError:
        return
    assert 0 < told.interval_ms <= LONGEST_INTERVAL_MS


def test_time_is_counted_from_the_receipt_whatever_the_clock_of_the_site_says() -> None:
    for sent_ms in (0, SENT_MS, 4_000_000_000_000):
        after = heard(unheard(START_MS), beat(1, sent_ms), START_MS + HOUR_MS, 17)
        assert after is not None
        assert (after.expected_mono_ms, after.heard_wall_ms) == (START_MS + HOUR_MS + DAY_MS, 17)
        assert overdue_ms(after, GRACE_MS, START_MS + HOUR_MS + DAY_MS + GRACE_MS) == 0


def test_a_site_never_heard_of_is_waited_for_a_day_and_the_grace() -> None:
    state = looked(WatchState(), {"Hut": GRACE_MS}, ANNA, START_MS)
    late_ms = START_MS + UNHEARD_MS + GRACE_MS
    assert UNHEARD_MS == 24 * HOUR_MS
    assert looked(state, {"Hut": GRACE_MS}, ANNA, late_ms).notices == ()
    (notice,) = looked(state, {"Hut": GRACE_MS}, ANNA, late_ms + 1).notices
    assert (notice.site, notice.keeper, notice.kind) == ("Hut", "anna", NoticeKind.SILENT)


def test_the_same_one_again_moves_nothing() -> None:
    first = heard(unheard(START_MS), beat(1, SENT_MS), START_MS, 0)
    assert first is not None
    assert heard(first, beat(1, SENT_MS), START_MS + HOUR_MS, 0) is None
    assert heard(first, beat(0, SENT_MS - DAY_MS), START_MS + HOUR_MS, 0) is None


def test_a_clock_that_was_far_ahead_and_is_set_back_does_not_silence_a_site() -> None:
    ahead = heard(unheard(START_MS), beat(1, 4_000_000_000_000), START_MS, 0)
    assert ahead is not None
    right = heard(ahead, beat(2, SENT_MS), START_MS + HOUR_MS, 0)
    assert right is not None
    assert right.expected_mono_ms == START_MS + HOUR_MS + DAY_MS
    assert heard(right, beat(1, 4_000_000_000_000), START_MS + 2 * HOUR_MS, 0) is None, "an old one sent again"


def test_a_record_begun_anew_counts_by_its_clock() -> None:
    old = heard(unheard(START_MS), beat(900, SENT_MS), START_MS, 0)
    assert old is not None
    new = heard(old, beat(1, SENT_MS + HOUR_MS), START_MS + HOUR_MS, 0)
    assert new is not None
    assert heard(new, beat(900, SENT_MS), START_MS + 2 * HOUR_MS, 0) is None, "an old one sent again"


@given(
    st.lists(st.tuples(st.integers(0, 20), st.integers(0, 20)), min_size=1, max_size=30),
    st.lists(st.integers(0, 29), max_size=30),
)
def test_nobody_keeps_a_dead_site_alive_with_what_it_once_said(sent: list[tuple[int, int]], again: list[int]) -> None:
    """Whatever a site has sent, in whatever order and with whatever clock: each counts once at most."""
    watched = unheard(START_MS)
    counted = []
    for number, at in sent:
        after = heard(watched, beat(number, SENT_MS + at), START_MS, 0)
        if after is not None:
            counted.append((number, at))
            watched = after
    assert len(counted) == len(set(counted))
    for index in again:
        number, at = sent[index % len(sent)]
        assert heard(watched, beat(number, SENT_MS + at), START_MS + DAY_MS, 0) is None


def silent_state() -> tuple[WatchState, int]:
    """Hut was heard of at START_MS, and anna has just been told that it is silent."""
    first = heard(unheard(START_MS), beat(1, SENT_MS), START_MS, 0)
    assert first is not None
    at_ms = START_MS + DAY_MS + GRACE_MS + 1000
    return looked(WatchState({"Hut": first}), {"Hut": GRACE_MS}, ANNA, at_ms), at_ms


def sent(state: WatchState) -> WatchState:
    return replace(state, notices=())


def test_each_is_told_once_and_then_daily() -> None:
    state, at_ms = silent_state()
    assert [one.kind for one in state.notices] == [NoticeKind.SILENT]
    assert state.notices[0].overdue_ms == 1000
    assert looked(state, {"Hut": GRACE_MS}, ANNA, at_ms + 10 * DAY_MS).notices == state.notices, "it still waits"
    state = sent(state)
    assert looked(state, {"Hut": GRACE_MS}, ANNA, at_ms + DAY_MS - 1).notices == ()
    state = looked(state, {"Hut": GRACE_MS}, ANNA, at_ms + DAY_MS)
    assert [one.kind for one in state.notices] == [NoticeKind.STILL]
    assert looked(sent(state), {"Hut": GRACE_MS}, ANNA, at_ms + DAY_MS + 1).notices == ()


def test_a_keeper_who_wants_it_once_gets_it_once() -> None:
    state, at_ms = silent_state()
    assert looked(sent(state), {"Hut": GRACE_MS}, {"anna": 0}, at_ms + 100 * DAY_MS).notices == ()


def test_a_keeper_who_is_new_is_told_of_what_lasts() -> None:
    state, at_ms = silent_state()
    both = {"anna": DAY_MS, "ben": DAY_MS}
    (notice,) = looked(sent(state), {"Hut": GRACE_MS}, both, at_ms + 1).notices
    assert (notice.keeper, notice.kind) == ("ben", NoticeKind.SILENT)


def back(state: WatchState, at_ms: int) -> WatchState:
    again = heard(state.sites["Hut"], beat(2, SENT_MS + 2 * DAY_MS), at_ms, 0)
    assert again is not None
    return looked(state.with_site("Hut", again), {"Hut": GRACE_MS}, ANNA, at_ms)


def test_who_was_told_is_told_that_it_is_back() -> None:
    state, at_ms = silent_state()
    state = back(sent(state), at_ms + HOUR_MS)
    (notice,) = state.notices
    assert (notice.kind, notice.overdue_ms) == (NoticeKind.BACK, HOUR_MS + 1000)
    assert looked(sent(state), {"Hut": GRACE_MS}, ANNA, at_ms + 2 * HOUR_MS).notices == ()
    later_ms = at_ms + HOUR_MS + DAY_MS + GRACE_MS + 1
    (again,) = looked(sent(state), {"Hut": GRACE_MS}, ANNA, later_ms).notices
    assert again.kind is NoticeKind.SILENT


def test_what_nobody_has_heard_of_needs_no_end() -> None:
    """Not tried yet when the site came back, as in quiet hours: neither the alarm nor its end is told."""
    state, at_ms = silent_state()
    assert back(state, at_ms + 1).notices == ()
    tried = replace(state, notices=(replace(state.notices[0], tries=1),))
    assert [one.kind for one in back(tried, at_ms + 1).notices] == [NoticeKind.SILENT, NoticeKind.BACK]


def test_a_look_that_tells_nobody_changes_nothing_but_new_sites() -> None:
    state, at_ms = silent_state()
    told = looked(state, {"Hut": GRACE_MS, "Barn": 0}, None, at_ms)
    assert (told.notices, told.sites["Hut"]) == (state.notices, state.sites["Hut"])
    assert told.sites["Barn"] == unheard(at_ms)


def test_sites_and_keepers_that_the_settings_name_no_more_are_forgotten() -> None:
    state, at_ms = silent_state()
    assert looked(state, {}, ANNA, at_ms) == WatchState()
    assert looked(state, {"Hut": GRACE_MS}, {"ben": 0}, at_ms).notices == (
        Notice("Hut", "ben", NoticeKind.SILENT, 1000),
    )


def test_another_zero_of_the_clock_changes_nothing_else() -> None:
    state, at_ms = silent_state()
    moved = state.shifted(-12_345)
    for later_ms in (0, HOUR_MS, DAY_MS, 3 * DAY_MS):
        here = looked(sent(state), {"Hut": GRACE_MS}, ANNA, at_ms + later_ms)
        there = looked(sent(moved), {"Hut": GRACE_MS}, ANNA, at_ms - 12_345 + later_ms)
        assert [one.kind for one in here.notices] == [one.kind for one in there.notices]
    assert moved.shifted(12_345) == state


def test_it_can_be_stored() -> None:
    state, _ = silent_state()
    full = replace(state.notices[0], message_id="<1@x>", subject="s", content="c", tries=2, next_mono_ms=9, answer="no")
    state = replace(state, notices=(full,)).with_site("Barn", unheard(4))
    assert state_from_plain(json.loads(json.dumps(state_to_plain(state)))) == state


@pytest.mark.parametrize(
    "text",
    [
        "{}",
        '{"sites": [], "notices": []}',
        '{"sites": {"Hut": {}}, "notices": []}',
        '{"sites": {}, "notices": [{"site": 5}]}',
        '{"sites": {}, "notices": 5}',
        '{"sites": {}, "notices": [5]}',
    ],
)
def test_what_is_no_state_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"\w"):
        state_from_plain(json.loads(text))
