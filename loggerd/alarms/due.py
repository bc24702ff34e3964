"""What falls due for one alarm at a look: delays, end of a shelf, suppression by design, re-alarm time. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace

from loggerd.alarms.catalogue import HOUR_MS, MINUTE_MS, AlarmCondition
from loggerd.alarms.lifecycle import after
from loggerd.model.alarm import Alarm, AlarmEvent, AlarmState, ConditionNow
from loggerd.model.ledger import Instant

LONGEST_SHELF_HOURS = 720
LONGEST_SHELF_MS = LONGEST_SHELF_HOURS * HOUR_MS
_LEAST_REMEMBERED_MS = HOUR_MS
_LONGEST_OFF_MS = 7 * 86_400_000

_ORDER = (
    AlarmEvent.CLEARED,
    AlarmEvent.UNSHELVED,
    AlarmEvent.SUPPRESSED,
    AlarmEvent.UNSUPPRESSED,
    AlarmEvent.RAISED,
    AlarmEvent.RE_ALARMED,
)
"""Order of one instant: what clears does so before it comes out of hiding, and what is raised is hidden first."""


def shelf_end_ms(now_ms: int, hours: float) -> int:
    """When a shelf of so many hours ends that is asked for now.

    The longest ends a minute early: the clock by which it is judged may be a little behind.
    """
    return now_ms + min(round(hours * HOUR_MS), LONGEST_SHELF_MS - MINUTE_MS)


@dataclass(frozen=True)
class Due:
    """An event that happens by itself, and when it fell due."""

    at: Instant
    event: AlarmEvent
    why: str = ""


def soonest(
    alarm: Alarm, told: ConditionNow, condition: AlarmCondition | None, quiet: str | None, now: Instant
) -> Due | None:
    """What falls due first, None if nothing has by now. `quiet`: why the alarm is suppressed by design, or None."""
    dues = [
        _switch(alarm, told, condition, now),
        _off_the_shelf(alarm, now),
        _hidden(alarm, told, quiet, now),
        _again(alarm, told, condition, now),
    ]
    due = [one for one in dues if one is not None and one.at.at_ms <= now.at_ms]
    return min(due, key=lambda one: (one.at.at_ms, _ORDER.index(one.event)), default=None)


def off_delay_ms(alarm: Alarm, condition: AlarmCondition | None) -> int:
    """How long the condition must be gone. It doubles with each time that an alarm comes again soon."""
    delay_ms = condition.off_delay_ms if condition is not None else 0
    if alarm.hold == 1:
        return delay_ms
    return max(delay_ms, min(max(delay_ms, MINUTE_MS) * alarm.hold, _LONGEST_OFF_MS))


def remembered_ms(alarm: Alarm, condition: AlarmCondition | None) -> int:
    """How long after it cleared an alarm that is raised again counts as one that comes and goes."""
    return max(_LEAST_REMEMBERED_MS, 4 * off_delay_ms(alarm, condition))


def not_after(alarm: Alarm, now: Instant) -> Alarm:
    """The alarm with nothing dated after now, as happens when the clock of a new session is behind the last one's."""
    pending, cleared, until_ms, quiet = alarm.pending, alarm.cleared, alarm.shelved_until_ms, alarm.quiet
    return replace(
        alarm,
        pending=now if pending is not None and pending.at_ms > now.at_ms else pending,
        cleared=now if cleared is not None and cleared.at_ms > now.at_ms else cleared,
        shelved_until_ms=None if until_ms is None else min(until_ms, now.at_ms + LONGEST_SHELF_MS),
        acted_ms=min(alarm.acted_ms, now.at_ms),
        quiet=now if quiet is not None and quiet.at_ms > now.at_ms else quiet,
    )


def _switch(alarm: Alarm, told: ConditionNow, condition: AlarmCondition | None, now: Instant) -> Due | None:
    """The condition has held, or been gone, for its delay."""
    if alarm.pending is None or told.true == alarm.active:
        return None
    if told.true:
        delay_ms, event = (condition.on_delay_ms if condition is not None else 0), AlarmEvent.RAISED
    else:
        delay_ms, event = off_delay_ms(alarm, condition), AlarmEvent.CLEARED
    due_ms = alarm.pending.at_ms + delay_ms
    # Dates of another session's clock are not set against this one's: it is dated when it is noticed.
    if due_ms <= now.at_ms and alarm.pending.session != now.session:
        return Due(now, event)
    return Due(Instant(now.session, due_ms), event)


def _off_the_shelf(alarm: Alarm, now: Instant) -> Due | None:
    if alarm.state is not AlarmState.SHELVED:
        return None
    return Due(Instant(now.session, alarm.shelved_until_ms or 0), AlarmEvent.UNSHELVED, "its time on the shelf is over")


def _hidden(alarm: Alarm, told: ConditionNow, quiet: str | None, now: Instant) -> Due | None:
    """An alarm is suppressed before it is told, not after."""
    if alarm.state is AlarmState.SUPPRESSED:
        return Due(now, AlarmEvent.UNSUPPRESSED) if quiet is None else None
    shows = alarm.active or (told.true and told.known)
    if quiet is None or not shows or after(alarm.state, AlarmEvent.SUPPRESSED, alarm.active) is None:
        return None
    begun = max(
        alarm.quiet.at_ms if alarm.quiet is not None else now.at_ms,
        alarm.acted_ms,
        alarm.pending.at_ms if alarm.pending is not None and not alarm.active else 0,
    )
    return Due(Instant(now.session, min(begun, now.at_ms)), AlarmEvent.SUPPRESSED, quiet)


def _again(alarm: Alarm, told: ConditionNow, condition: AlarmCondition | None, now: Instant) -> Due | None:
    """An acknowledged alarm is told anew when it has become worse, or has stood for the re-alarm time."""
    if alarm.state is not AlarmState.ACKNOWLEDGED or not alarm.active or condition is None:
        return None
    if told.known and told.true and told.level > alarm.level:
        return Due(now, AlarmEvent.RE_ALARMED, "worse")
    if not condition.re_alarm_hours:
        return None
    due_ms = alarm.acted_ms + round(condition.re_alarm_hours * HOUR_MS)
    return Due(Instant(now.session, due_ms), AlarmEvent.RE_ALARMED, "still standing")
