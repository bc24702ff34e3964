"""The desk: follows every alarm from condition to condition, keeps delays, shelves and roots. Pure.

It looks at all conditions at once, at rising instants; what it knows is a dict of alarms, stored with every change.
Looking more often notices sooner what falls due, and changes nothing else: what falls due is dated when it did, and
taken in the order of its dates. It is noticed only at a look at which the condition still stands as it did.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from loggerd.alarms.catalogue import AlarmCondition
from loggerd.alarms.due import LONGEST_SHELF_MS, Due, not_after, remembered_ms, soonest
from loggerd.alarms.lifecycle import after
from loggerd.alarms.roots import root_of
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
KEEPERS_EVENTS = (
    AlarmEvent.ACKNOWLEDGED,
    AlarmEvent.SHELVED,
    AlarmEvent.UNSHELVED,
    AlarmEvent.REMOVED,
    AlarmEvent.RETURNED,
)
_LONGEST_HOLD = 64


class Desk:
    """All alarms of a site. `alarms` holds those that are not normal, and normal ones that came not long ago."""

    def __init__(self, conditions: Iterable[AlarmCondition], alarms: Iterable[Alarm] = ()) -> None:
        self.conditions = {one.name: one for one in conditions}
        self.alarms: dict[AlarmKey, Alarm] = {one.key: one for one in alarms}
        self._changes: list[AlarmChange] = []
        self._touched: dict[AlarmKey, Alarm] = {}
        self._gone: list[AlarmKey] = []

    def look(
        self,
        now: Instant,
        conditions: Iterable[ConditionNow],
        quiet: Mapping[str, Mapping[str, str]] | None = None,
    ) -> AlarmResults:
        """Take in how the conditions stand. One that is not named counts as false.

        `quiet`: by bank what lasts now that suppresses alarms by design ("equalizing"), and why.
        """
        self._begin(now)
        standing = {one.key: one for one in conditions}
        known: dict[AlarmKey, ConditionNow] = {}
        for key in sorted(set(standing) | set(self.alarms)):
            told = standing.get(key) or ConditionNow(key, False)
            if key.condition not in self.conditions:
                told = ConditionNow(key, False)  # a condition of an earlier version
            if told.true or key in self.alarms:
                known[key] = told
                self._take_in(key, told, self._why_quiet(key, quiet or {}) is not None, now)
        self._run(known, quiet or {}, now)
        self._forget(now)
        return self._results(())

    def act(
        self,
        now: Instant,
        actions: Iterable[KeeperAction],
        quiet: Mapping[str, Mapping[str, str]] | None = None,
    ) -> AlarmResults:
        """What keepers ask for; what the state does not allow is refused with the reason. `quiet` as in look()."""
        self._begin(now)
        refused: list[tuple[KeeperAction, str]] = []
        for action in actions:
            why_not = self._why_not(action, now)
            if why_not is None:
                self._obey(action, quiet or {}, now)
            else:
                refused.append((action, why_not))
        return self._results(tuple(refused))

    # -- keepers --

    def _why_not(self, action: KeeperAction, now: Instant) -> str | None:
        alarm = self.alarms.get(action.key)
        if alarm is None and action.key.condition not in self.conditions:
            return "there is no such alarm"
        if action.event not in KEEPERS_EVENTS:
            return f"{action.event.value} is nothing that a keeper does"
        if not action.who.strip():
            return "it must be said who does it"
        state = (alarm or Alarm(action.key)).state
        if after(state, action.event, active=False) is None:
            return f"an alarm that is {state.value} cannot be {action.event.value}"
        until_ms = action.until_ms
        within = until_ms is not None and now.at_ms < until_ms <= now.at_ms + LONGEST_SHELF_MS
        if action.event is AlarmEvent.SHELVED and not (within or (action.one_shot and until_ms is None)):
            return "a shelf needs an end, at most 30 days from now"
        return None

    def _obey(self, action: KeeperAction, quiet: Mapping[str, Mapping[str, str]], now: Instant) -> None:
        begun = now if self._why_quiet(action.key, quiet) is not None else None
        alarm = self.alarms.get(action.key) or Alarm(action.key, quiet=begun)
        if action.event is AlarmEvent.SHELVED:
            until_ms = now.at_ms + LONGEST_SHELF_MS if action.until_ms is None else action.until_ms
            alarm = replace(alarm, shelved_until_ms=until_ms, one_shot=action.one_shot)
        self._move(alarm, action.event, now, action.who, action.why)

    # -- conditions and what falls due --

    def _take_in(self, key: AlarmKey, told: ConditionNow, quiet: bool, now: Instant) -> None:
        alarm = self.alarms.get(key) or Alarm(key)
        differs = told.known and told.true != alarm.active
        begun = alarm.since if alarm.active or alarm.pending else None
        pending = (alarm.pending or now) if differs else None
        alarm = replace(alarm, pending=pending, quiet=(alarm.quiet or now) if quiet else None)
        if told.true and told.known:
            since = told.since or begun or now
            alarm = replace(alarm, evidence=told.evidence, reason=told.reason, since=since, follows=told.follows)
            if alarm.active and alarm.state is not AlarmState.ACKNOWLEDGED:
                # Whoever acknowledges it has seen it as bad as this.
                alarm = replace(alarm, level=max(alarm.level, told.level))
        self._keep(alarm)

    def _run(
        self, known: Mapping[AlarmKey, ConditionNow], quiet: Mapping[str, Mapping[str, str]], now: Instant
    ) -> None:
        """Let happen what has fallen due, date by date over all alarms, for roots come and go in between."""
        self._group()
        while True:
            dues = {key: due for key, told in known.items() if (due := self._due(key, told, quiet, now)) is not None}
            if not dues:
                return
            date_ms = min(due.at.at_ms for due in dues.values())
            begun = len(self._changes)
            for key, due in dues.items():
                if due.at.at_ms == date_ms:
                    self._happen(self.alarms[key], due, known[key])
            self._group()
            self._changes[begun:] = [
                one if one.root else replace(one, root=self.alarms[one.key].root) for one in self._changes[begun:]
            ]

    def _due(
        self, key: AlarmKey, told: ConditionNow, quiet: Mapping[str, Mapping[str, str]], now: Instant
    ) -> Due | None:
        condition = self.conditions.get(key.condition)
        return soonest(self.alarms[key], told, condition, self._why_quiet(key, quiet), now)

    def _why_quiet(self, key: AlarmKey, quiet: Mapping[str, Mapping[str, str]]) -> str | None:
        """What suppresses an alarm by design now."""
        condition = self.conditions.get(key.condition)
        return condition.holds_back(quiet.get(key.bank, {})) if condition is not None else None

    def _happen(self, alarm: Alarm, due: Due, told: ConditionNow) -> None:
        at, event = due.at, due.event
        if event is AlarmEvent.RAISED:
            alarm = _raised(alarm, at, told.level, self.conditions.get(alarm.key.condition))
        elif event is AlarmEvent.CLEARED:
            alarm = replace(alarm, active=False, pending=None, cleared=at)
        elif event is AlarmEvent.RE_ALARMED:
            alarm = replace(alarm, level=max(alarm.level, told.level))
        self._move(alarm, event, at, why=due.why)
        now_alarm = self.alarms[alarm.key]
        if event is AlarmEvent.CLEARED and now_alarm.state is AlarmState.SHELVED and now_alarm.one_shot:
            self._move(now_alarm, AlarmEvent.UNSHELVED, at, why="it has cleared, which ends a shelf of this kind")

    def _group(self) -> None:
        """Say of every standing alarm which other one it follows from."""
        standing = {key: alarm for key, alarm in self.alarms.items() if alarm.active}
        for alarm in list(self.alarms.values()):
            root = root_of(alarm, standing, self.conditions) if alarm.active else None
            if root != alarm.root:
                self._keep(replace(alarm, root=root))

    # -- keeping --

    def _begin(self, now: Instant) -> None:
        """A clock that went back between two sessions must not hold anything up; what is long gone is forgotten."""
        for alarm in list(self.alarms.values()):
            self._keep(not_after(alarm, now))
        self._forget(now)

    def _forget(self, now: Instant) -> None:
        """A normal alarm is kept for a while, to know one that comes and goes."""
        for key, alarm in list(self.alarms.items()):
            if alarm.state is not AlarmState.NORMAL or alarm.active or alarm.pending is not None:
                continue
            gone_ms = None if alarm.cleared is None else now.at_ms - alarm.cleared.at_ms
            if gone_ms is None or gone_ms >= remembered_ms(alarm, self.conditions.get(key.condition)):
                del self.alarms[key]
                self._touched.pop(key, None)
                self._gone.append(key)

    def _move(self, alarm: Alarm, event: AlarmEvent, at: Instant, who: str = LOGGERD, why: str = "") -> None:
        """The event happens; the change is kept. The state must allow it."""
        before, state = alarm.state, after(alarm.state, event, alarm.active)
        assert state is not None, f"{before} {event}"
        if event is AlarmEvent.ACKNOWLEDGED and state is not before:
            alarm = replace(alarm, acknowledged_by=who)
        elif state is AlarmState.UNACKNOWLEDGED or event is AlarmEvent.RAISED:
            alarm = replace(alarm, acknowledged_by="")
        if state is not AlarmState.SHELVED:
            alarm = replace(alarm, shelved_until_ms=None, one_shot=False)
        acted_ms = at.at_ms if state is not before else alarm.acted_ms
        self._keep(replace(alarm, state=state, acted_ms=acted_ms))
        self._changes.append(AlarmChange(alarm.key, at, event, before, state, who, why, alarm.root, alarm.evidence))

    def _keep(self, alarm: Alarm) -> None:
        if self.alarms.get(alarm.key) != alarm:
            self.alarms[alarm.key] = alarm
            self._touched[alarm.key] = alarm

    def _results(self, refused: tuple[tuple[KeeperAction, str], ...]) -> AlarmResults:
        gone = tuple(key for key in dict.fromkeys(self._gone) if key not in self.alarms)
        results = AlarmResults(tuple(self._touched.values()), tuple(self._changes), refused, gone)
        self._touched, self._changes, self._gone = {}, [], []
        return results


def _raised(alarm: Alarm, at: Instant, level: int, condition: AlarmCondition | None) -> Alarm:
    """Active from an instant on. One that cleared not long ago comes and goes: its off-delay doubles."""
    gone_ms = None if alarm.cleared is None else at.at_ms - alarm.cleared.at_ms
    again = gone_ms is not None and gone_ms < remembered_ms(alarm, condition)
    return replace(
        alarm,
        active=True,
        pending=None,
        raised=at,
        cleared=None,
        level=level,
        hold=min(2 * alarm.hold, _LONGEST_HOLD) if again else 1,
        told=alarm.told + 1 if again else 1,
        root=None,
    )
