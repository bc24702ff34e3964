"""The desk: follows every alarm from condition to condition, keeps delays, shelves and roots. Pure.

It looks at all conditions at once, at rising instants; what it knows is a dict of alarms, stored with every change.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from loggerd.alarms.catalogue import AlarmCondition
from loggerd.alarms.lifecycle import after
from loggerd.model.alarm import (
    Alarm,
    AlarmChange,
    AlarmEvent,
    AlarmKey,
    AlarmResults,
    AlarmState,
    ConditionNow,
    KeeperAction,
)
from loggerd.model.ledger import Instant

LOGGERD = "loggerd"
LONGEST_SHELF_MS = 30 * 86_400_000
_COMES_AND_GOES_MS = 3_600_000
_LONGEST_HOLD = 64
_HOUR_MS = 3_600_000


class Desk:
    """All alarms of a site. `alarms` holds those that are not normal, and normal ones that came not long ago."""

    def __init__(self, conditions: Iterable[AlarmCondition], alarms: Iterable[Alarm] = ()) -> None:
        self.conditions = {one.name: one for one in conditions}
        self.alarms: dict[AlarmKey, Alarm] = {one.key: one for one in alarms}
        self._changes: list[AlarmChange] = []
        self._touched: dict[AlarmKey, Alarm] = {}

    def look(
        self, now: Instant, conditions: Iterable[ConditionNow], suppressed: Mapping[AlarmKey, str] | None = None
    ) -> AlarmResults:
        """Take in how the conditions stand. One that is not named counts as false.

        `suppressed`: alarms that are suppressed by design now, and why.
        """
        standing = {one.key: one for one in conditions}
        for key in sorted(set(standing) | set(self.alarms)):
            alarm = self.alarms.get(key) or Alarm(key)
            told = standing.get(key) or ConditionNow(key, False)
            if told.true or key in self.alarms:
                self._follow(alarm, told, now)
        self._hide(now, suppressed or {})
        self._group(now)
        return self._results(())

    def act(self, now: Instant, actions: Iterable[KeeperAction]) -> AlarmResults:
        """What keepers ask for; what the state does not allow is refused with the reason."""
        refused: list[tuple[KeeperAction, str]] = []
        for action in actions:
            alarm = self.alarms.get(action.key)
            if alarm is None:
                refused.append((action, "there is no such alarm now"))
            elif action.event is AlarmEvent.SHELVED and not self._may_shelve(action, now):
                refused.append((action, "a shelf needs an end, at most 30 days from now"))
            elif not self._move(alarm, action.event, now, action.who, action.why, action.until_ms):
                refused.append((action, f"an alarm that is {alarm.state.value} cannot be {action.event.value}"))
        return self._results(tuple(refused))

    @staticmethod
    def _may_shelve(action: KeeperAction, now: Instant) -> bool:
        return action.until_ms is not None and now.at_ms < action.until_ms <= now.at_ms + LONGEST_SHELF_MS

    # -- conditions and delays --

    def _follow(self, alarm: Alarm, told: ConditionNow, now: Instant) -> None:
        condition = self.conditions.get(alarm.key.condition)
        if condition is None:
            told = ConditionNow(alarm.key, False)  # a condition of an earlier version
        if told.true:
            alarm = replace(alarm, evidence=told.evidence, reason=told.reason, since=told.since or alarm.since)
        if told.true == alarm.active:
            alarm = replace(alarm, pending_ms=None)
            self._keep(alarm)
            if told.true and condition is not None:
                self._again(alarm, told, condition, now)
            return
        pending = now.at_ms if alarm.pending_ms is None else alarm.pending_ms
        alarm = replace(alarm, pending_ms=pending)
        self._keep(alarm)
        delay = 0
        if condition is not None:
            delay = condition.on_delay_ms if told.true else condition.off_delay_ms * alarm.hold
        if now.at_ms - pending >= delay:
            self._switch(alarm, told, now)

    def _switch(self, alarm: Alarm, told: ConditionNow, now: Instant) -> None:
        """The condition has held, or been gone, for its delay."""
        if told.true:
            gone = alarm.cleared is not None and now.at_ms - alarm.cleared.at_ms < _COMES_AND_GOES_MS
            hold = min(2 * alarm.hold, _LONGEST_HOLD) if gone else 1
            alarm = replace(
                alarm, active=True, pending_ms=None, raised=now, level=told.level, hold=hold, told=alarm.told + 1
            )
            self._move(alarm, AlarmEvent.RAISED, now)
        else:
            alarm = replace(alarm, active=False, pending_ms=None, cleared=now)
            self._move(alarm, AlarmEvent.CLEARED, now)

    def _again(self, alarm: Alarm, told: ConditionNow, condition: AlarmCondition, now: Instant) -> None:
        """Whether an acknowledged alarm is told anew: it has become worse, or stood for the re-alarm time."""
        worse = told.level > alarm.level
        if worse:
            alarm = replace(alarm, level=told.level)
            self._keep(alarm)
        long = condition.re_alarm_hours and now.at_ms - alarm.acted_ms >= condition.re_alarm_hours * _HOUR_MS
        if alarm.state is AlarmState.ACKNOWLEDGED and (worse or long):
            self._move(alarm, AlarmEvent.RE_ALARMED, now, why="worse" if worse else "still standing")

    # -- what hides, and what follows from what --

    def _hide(self, now: Instant, suppressed: Mapping[AlarmKey, str]) -> None:
        for key, alarm in sorted(self.alarms.items()):
            condition = self.conditions.get(key.condition)
            hides = key in suppressed and not (condition is not None and condition.safety)
            if alarm.state is AlarmState.SUPPRESSED and not hides:
                self._move(alarm, AlarmEvent.UNSUPPRESSED, now)
            elif hides and alarm.active:
                self._move(alarm, AlarmEvent.SUPPRESSED, now, why=suppressed[key])
            elif alarm.state is AlarmState.SHELVED and now.at_ms >= (alarm.shelved_until_ms or 0):
                self._move(alarm, AlarmEvent.UNSHELVED, now, why="its time on the shelf is over")

    def _group(self, now: Instant) -> None:
        """Say of every standing alarm which other one it follows from."""
        standing = {key: alarm for key, alarm in self.alarms.items() if alarm.active}
        for key, alarm in sorted(standing.items()):
            root = self._root(key, standing)
            if root != alarm.root:
                self._keep(replace(alarm, root=root))
        for key, alarm in list(self.alarms.items()):
            if not alarm.active and alarm.root is not None:
                self._keep(replace(alarm, root=None))
            if not alarm.active and alarm.state is AlarmState.NORMAL and self._forgotten(alarm, now):
                self._touched[key] = alarm
                del self.alarms[key]

    def _root(self, key: AlarmKey, standing: Mapping[AlarmKey, Alarm]) -> AlarmKey | None:
        condition = self.conditions.get(key.condition)
        if condition is None:
            return None
        for name in condition.roots:
            for other in sorted(standing):
                near = other.subject == key.subject or not condition.same_subject
                if other.condition == name and other.bank in (key.bank, "") and near and other != key:
                    return other
        return None

    @staticmethod
    def _forgotten(alarm: Alarm, now: Instant) -> bool:
        """A normal alarm is kept for a while, to know one that comes and goes."""
        if alarm.pending_ms is not None:
            return False
        return alarm.cleared is None or now.at_ms - alarm.cleared.at_ms >= _COMES_AND_GOES_MS

    # -- moving --

    def _move(
        self,
        alarm: Alarm,
        event: AlarmEvent,
        now: Instant,
        who: str = LOGGERD,
        why: str = "",
        until_ms: int | None = None,
    ) -> bool:
        """Whether the event is allowed; the change is kept."""
        state = after(alarm.state, event, alarm.active)
        if state is None:
            self._keep(alarm)
            return False
        before = alarm.state
        acknowledged = who if event is AlarmEvent.ACKNOWLEDGED else alarm.acknowledged_by
        if state is AlarmState.UNACKNOWLEDGED:
            acknowledged = ""
        alarm = replace(
            alarm,
            state=state,
            acted_ms=now.at_ms,
            acknowledged_by=acknowledged,
            shelved_until_ms=_shelf(alarm, event, state, until_ms),
        )
        self._keep(alarm)
        self._changes.append(AlarmChange(alarm.key, now, event, before, state, who, why, None, alarm.evidence))
        return True

    def _keep(self, alarm: Alarm) -> None:
        if self.alarms.get(alarm.key) != alarm:
            self.alarms[alarm.key] = alarm
            self._touched[alarm.key] = alarm

    def _results(self, refused: tuple[tuple[KeeperAction, str], ...]) -> AlarmResults:
        changes = tuple(
            replace(change, root=alarm.root) if (alarm := self.alarms.get(change.key)) and alarm.root else change
            for change in self._changes
        )
        results = AlarmResults(tuple(self._touched.values()), changes, refused)
        self._touched, self._changes = {}, []
        return results


def _shelf(alarm: Alarm, event: AlarmEvent, state: AlarmState, until_ms: int | None) -> int | None:
    """When an alarm leaves the shelf, after an event."""
    if state is not AlarmState.SHELVED:
        return None
    return until_ms if event is AlarmEvent.SHELVED else alarm.shelved_until_ms
