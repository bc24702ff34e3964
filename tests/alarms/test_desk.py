"""The desk: delays, acknowledging, shelves, suppression, roots; check values of published accounts of ISA-18.2."""

from __future__ import annotations

import pytest
from alarm_tools import DAY, HOUR, MINUTE, SECOND, Site, condition, events_of, key_of

from loggerd.model.alarm import AlarmEvent, AlarmKey, AlarmState, ConditionNow

HOT = key_of("hot")
NORMAL, UNACKNOWLEDGED, ACKNOWLEDGED = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED
RETURNED, SHELVED, SUPPRESSED = AlarmState.RETURNED, AlarmState.SHELVED, AlarmState.SUPPRESSED


@pytest.fixture(params=[False, True], ids=["kept", "reloaded at each look"])
def site(request: pytest.FixtureRequest) -> Site:
    return Site(
        [
            condition("hot", on_ms=60 * SECOND, off_ms=60 * SECOND),
            condition("short"),
            condition("unbalanced", roots_here=("short",), quiet_while=("equalizing",)),
            condition("weak", roots=("unbalanced",)),
            condition("danger", safety=True, roots=("short",), quiet_while=("equalizing",)),
            condition("again", re_alarm_hours=2.0),
            condition("silent"),
            condition("sensor"),
        ],
        reloads=request.param,
    )


def raised(site: Site) -> None:
    site.look(0, HOT)
    site.look(60 * SECOND, HOT)


def test_on_and_off_delays_to_the_second(site: Site) -> None:
    """Limit with on-delay and off-delay of 60 s: OPC 10000-9, 5.8 (semantics of delays)."""
    site.look(0, HOT)
    site.look(59 * SECOND, HOT)
    assert site.state(HOT) is NORMAL
    site.look(60 * SECOND, HOT)
    assert site.state(HOT) is UNACKNOWLEDGED
    site.look(100 * SECOND)
    site.look(159 * SECOND)
    assert site.state(HOT) is UNACKNOWLEDGED
    site.look(160 * SECOND)
    assert site.state(HOT) is RETURNED


def test_acknowledged_it_returns_to_normal(site: Site) -> None:
    raised(site)
    site.act(70 * SECOND, AlarmEvent.ACKNOWLEDGED, HOT)
    assert site.desk.alarms[HOT].acknowledged_by == "keeper"
    site.look(100 * SECOND)
    site.look(160 * SECOND)
    assert site.state(HOT) is NORMAL


def test_a_condition_that_is_interrupted_waits_anew(site: Site) -> None:
    site.look(0, HOT)
    site.look(59 * SECOND)
    site.look(60 * SECOND, HOT)
    site.look(119 * SECOND, HOT)
    assert site.state(HOT) is NORMAL


def test_what_cannot_be_told_leaves_an_alarm_as_it_is(site: Site) -> None:
    raised(site)
    unknown = ConditionNow(HOT, False, known=False)
    site.look(2 * MINUTE, unknown)
    site.look(2 * HOUR, unknown)
    assert site.state(HOT) is UNACKNOWLEDGED
    site.look(3 * HOUR)
    site.look(3 * HOUR + MINUTE)
    assert site.state(HOT) is RETURNED


def test_what_cannot_be_told_raises_nothing(site: Site) -> None:
    unknown = ConditionNow(HOT, False, known=False)
    site.look(0, unknown)
    site.look(HOUR, unknown)
    assert HOT not in site.desk.alarms


def test_acknowledging_what_is_normal_or_acknowledged_changes_nothing_and_is_recorded(site: Site) -> None:
    raised(site)
    site.act(70 * SECOND, AlarmEvent.ACKNOWLEDGED, HOT)
    acted = site.desk.alarms[HOT]
    results = site.act(80 * SECOND, AlarmEvent.ACKNOWLEDGED, HOT, who="other")
    assert [(one.before, one.after, one.who) for one in results.changes] == [(ACKNOWLEDGED, ACKNOWLEDGED, "other")]
    assert site.desk.alarms[HOT] == acted

    results = site.act(90 * SECOND, AlarmEvent.ACKNOWLEDGED, key_of("short"))
    assert [(one.before, one.after) for one in results.changes] == [(NORMAL, NORMAL)]


def test_acknowledging_what_has_returned_makes_it_normal(site: Site) -> None:
    raised(site)
    site.look(100 * SECOND)
    site.look(160 * SECOND)
    site.act(170 * SECOND, AlarmEvent.ACKNOWLEDGED, HOT)
    assert site.state(HOT) is NORMAL


def test_a_timed_shelf_ends_to_the_millisecond_and_the_alarm_shows_once(site: Site) -> None:
    raised(site)
    site.act(MINUTE, AlarmEvent.SHELVED, HOT, 31 * MINUTE)
    site.look(31 * MINUTE - 1, HOT)
    assert site.state(HOT) is SHELVED
    results = site.look(31 * MINUTE, HOT)
    assert [(one.event, one.after) for one in results.changes] == [(AlarmEvent.UNSHELVED, UNACKNOWLEDGED)]
    assert site.look(32 * MINUTE, HOT).changes == ()


def test_a_one_shot_shelf_ends_when_the_alarm_clears(site: Site) -> None:
    raised(site)
    site.act(MINUTE, AlarmEvent.SHELVED, HOT, one_shot=True)
    site.look(DAY, HOT)
    assert site.state(HOT) is SHELVED
    site.look(DAY + MINUTE)
    results = site.look(DAY + 2 * MINUTE)
    assert events_of(results.changes) == [AlarmEvent.CLEARED, AlarmEvent.UNSHELVED]
    assert site.state(HOT) is NORMAL
    site.look(2 * DAY, HOT)
    site.look(2 * DAY + MINUTE, HOT)
    assert site.state(HOT) is UNACKNOWLEDGED


def test_a_one_shot_shelf_ends_after_thirty_days_at_the_latest(site: Site) -> None:
    raised(site)
    site.act(MINUTE, AlarmEvent.SHELVED, HOT, one_shot=True)
    site.look(30 * DAY + MINUTE, HOT)
    assert site.state(HOT) is UNACKNOWLEDGED


@pytest.mark.parametrize(
    ("event", "until_ms", "words"),
    [
        (AlarmEvent.SHELVED, None, "needs an end"),
        (AlarmEvent.SHELVED, MINUTE, "needs an end"),
        (AlarmEvent.SHELVED, 31 * DAY, "needs an end"),
        (AlarmEvent.UNSHELVED, None, "cannot be unshelved"),
        (AlarmEvent.CLEARED, None, "nothing that a keeper does"),
    ],
)
def test_what_is_not_allowed_is_refused_with_the_reason(
    site: Site, event: AlarmEvent, until_ms: int | None, words: str
) -> None:
    raised(site)
    before = dict(site.desk.alarms)
    results = site.act(MINUTE, event, HOT, until_ms)
    assert [words in why for _, why in results.refused] == [True]
    assert (results.changes, site.desk.alarms) == ((), before)


def test_nobody_and_unknown_alarms_are_refused(site: Site) -> None:
    assert site.act(0, AlarmEvent.ACKNOWLEDGED, HOT, who=" ").refused
    assert site.act(0, AlarmEvent.ACKNOWLEDGED, key_of("nonsense")).refused


def test_a_normal_alarm_can_be_taken_out_of_service_and_tells_nothing(site: Site) -> None:
    site.act(0, AlarmEvent.REMOVED, HOT)
    site.look(HOUR, HOT)
    site.look(2 * HOUR, HOT)
    assert site.state(HOT) is AlarmState.OUT_OF_SERVICE
    site.act(3 * HOUR, AlarmEvent.RETURNED, HOT)
    assert site.state(HOT) is UNACKNOWLEDGED


def test_suppression_by_design_comes_before_the_alarm_is_told(site: Site) -> None:
    key, quiet = key_of("unbalanced", "block 3"), {"b": {"equalizing": "equalizing since noon"}}
    results = site.look(0, key, quiet=quiet)
    assert AlarmState.UNACKNOWLEDGED not in {one.after for one in results.changes}
    assert (results.changes[0].event, results.changes[0].why) == (AlarmEvent.SUPPRESSED, "equalizing since noon")
    site.look(HOUR, quiet=quiet)
    results = site.look(2 * HOUR)
    assert site.state(key) is NORMAL
    assert UNACKNOWLEDGED not in {one.after for one in results.changes}


def test_what_still_stands_after_suppression_is_told_once(site: Site) -> None:
    key, quiet = key_of("unbalanced", "block 3"), {"b": {"equalizing": "why"}}
    site.look(0, key, quiet=quiet)
    results = site.look(HOUR, key)
    assert [(one.event, one.after) for one in results.changes] == [(AlarmEvent.UNSUPPRESSED, UNACKNOWLEDGED)]


def test_another_banks_equalizing_and_danger_are_not_suppressed(site: Site) -> None:
    site.look(0, key_of("unbalanced"), quiet={"other": {"equalizing": "why"}})
    assert site.state(key_of("unbalanced")) is UNACKNOWLEDGED
    site.look(1, key_of("danger"), quiet={"b": {"equalizing": "why"}})
    assert site.state(key_of("danger")) is UNACKNOWLEDGED


def test_a_shelf_ends_while_suppressed_by_design(site: Site) -> None:
    key, quiet = key_of("unbalanced"), {"b": {"equalizing": "why"}}
    site.look(0, key)
    site.act(1, AlarmEvent.SHELVED, key, HOUR)
    site.look(MINUTE, key, quiet=quiet)
    assert site.state(key) is SHELVED
    site.look(2 * HOUR, key, quiet=quiet)
    assert site.state(key) is SUPPRESSED
    assert site.desk.alarms[key].shelved_until_ms is None


def test_re_alarm_time_and_getting_worse_tell_an_acknowledged_alarm_anew(site: Site) -> None:
    key = key_of("again")
    site.look(0, key)
    site.look(3 * HOUR, key)
    assert site.state(key) is UNACKNOWLEDGED
    site.act(3 * HOUR, AlarmEvent.ACKNOWLEDGED, key)
    site.look(5 * HOUR - 1, key)
    assert site.state(key) is ACKNOWLEDGED
    results = site.look(6 * HOUR, key)
    assert [(one.event, one.at.at_ms, one.why) for one in results.changes] == [
        (AlarmEvent.RE_ALARMED, 5 * HOUR, "still standing")
    ]
    site.act(6 * HOUR, AlarmEvent.ACKNOWLEDGED, key)
    worse = ConditionNow(key, True, level=1)
    assert [one.why for one in site.look(6 * HOUR + 1, worse).changes] == ["worse"]
    site.act(6 * HOUR + 2, AlarmEvent.ACKNOWLEDGED, key)
    assert site.look(6 * HOUR + 3, key).changes == ()
    assert site.look(6 * HOUR + 4, worse).changes == ()


def test_what_became_worse_before_it_was_acknowledged_is_not_told_anew(site: Site) -> None:
    worse = ConditionNow(key_of("again"), True, level=1)
    site.look(0, worse.key)
    site.look(1, worse)
    site.act(2, AlarmEvent.ACKNOWLEDGED, worse.key)
    assert site.look(3, worse).changes == ()


def test_what_follows_is_told_under_the_root_at_the_same_place(site: Site) -> None:
    short, here, elsewhere = (
        key_of("short", "block 3"),
        key_of("unbalanced", "block 3"),
        key_of("unbalanced", "block 4"),
    )
    results = site.look(0, here, elsewhere, short)
    roots = {one.key: one.root for one in results.changes}
    assert roots == {short: None, here: short, elsewhere: None}
    cleared = site.look(HOUR, short)
    assert {one.key: one.root for one in cleared.changes}[here] == short
    assert site.desk.alarms.get(here) is None or site.desk.alarms[here].root is None


def test_a_chain_leads_to_its_beginning(site: Site) -> None:
    short, middle, last = key_of("short", "block_3_volts"), key_of("unbalanced", "block 3"), key_of("weak")
    site.look(0, short, middle, last)
    assert site.desk.alarms[last].root == site.desk.alarms[middle].root == short


def test_danger_never_hides_under_a_lesser_alarm_and_other_banks_explain_nothing(site: Site) -> None:
    site.look(0, key_of("short"), key_of("danger"), key_of("unbalanced", bank="c"))
    assert site.desk.alarms[key_of("danger")].root is None
    assert site.desk.alarms[key_of("unbalanced", bank="c")].root is None


def test_what_is_out_of_service_explains_nothing(site: Site) -> None:
    short, here = key_of("short", "block 3"), key_of("unbalanced", "block 3")
    site.act(0, AlarmEvent.REMOVED, short)
    site.look(1, short, here)
    assert site.desk.alarms[here].root is None


def test_a_silent_device_explains_its_own_channels_only(site: Site) -> None:
    one, two = AlarmKey("", "silent", "meter 1"), AlarmKey("", "silent", "meter 2")
    sensor = ConditionNow(key_of("sensor", "block_3_volts"), True, follows=(two,))
    site.look(0, one, sensor)
    assert site.desk.alarms[sensor.key].root is None
    site.look(1, one, two, sensor)
    assert site.desk.alarms[sensor.key].root == two


def test_an_alarm_that_comes_and_goes_is_held_ever_longer(site: Site) -> None:
    """On for two minutes and off for two: the second raising doubles the off-delay to the length of the pauses."""
    for minute in range(0, 24 * 60, 2):
        site.look(minute * MINUTE, *((HOT,) if minute % 4 == 0 else ()))
        site.look(minute * MINUTE + MINUTE, *((HOT,) if minute % 4 == 0 else ()))
    raisings = [one for one in site.stored.changes if one.event is AlarmEvent.RAISED]
    assert len(raisings) == 2
    assert site.desk.alarms[HOT].told == 2


def test_after_a_while_of_quiet_it_begins_anew_and_is_forgotten(site: Site) -> None:
    for begin in (0, HOUR // 2):
        site.look(begin, HOT)
        site.look(begin + MINUTE, HOT)
        site.act(begin + MINUTE, AlarmEvent.ACKNOWLEDGED, HOT)
        site.look(begin + 2 * MINUTE)
        site.look(begin + 9 * MINUTE)
    assert (site.desk.alarms[HOT].hold, site.desk.alarms[HOT].told) == (2, 2)
    results = site.look(10 * HOUR)
    assert (results.gone, site.desk.alarms, site.stored.rows) == ((HOT,), {}, {})


def test_a_clock_that_goes_back_between_sessions_holds_nothing_up(site: Site) -> None:
    raised(site)
    site.act(MINUTE, AlarmEvent.ACKNOWLEDGED, HOT)
    site.look(2 * MINUTE)
    site.look(-400 * DAY, session=2)
    site.look(-400 * DAY + MINUTE, session=2)
    assert site.state(HOT) is NORMAL
    site.act(-400 * DAY + MINUTE, AlarmEvent.SHELVED, HOT, -399 * DAY)
    assert site.state(HOT) is SHELVED


def test_an_alarm_of_an_earlier_catalogue_clears(site: Site) -> None:
    raised(site)
    old = Site([condition("other")])
    old.stored.rows = dict(site.stored.rows)
    old.reload()
    old.look(2 * MINUTE, HOT)
    assert old.state(HOT) is RETURNED
