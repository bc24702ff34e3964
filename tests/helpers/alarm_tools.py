"""A small catalogue of alarm conditions, and a desk whose looks are short to write."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence

from loggerd.alarms.catalogue import AlarmCondition
from loggerd.alarms.desk import Desk
from loggerd.model.alarm import (
    Alarm,
    AlarmChange,
    AlarmEvent,
    AlarmKey,
    AlarmResults,
    AlarmState,
    ConditionNow,
    KeeperAction,
    Priority,
    Visit,
)
from loggerd.model.alarm_plain import alarm_from_plain, alarm_to_plain
from loggerd.model.ledger import Instant

SECOND = 1000
MINUTE = 60 * SECOND
HOUR = 60 * MINUTE
DAY = 24 * HOUR


def condition(
    name: str,
    *,
    on_ms: int = 0,
    off_ms: int = 0,
    safety: bool = False,
    roots: tuple[str, ...] = (),
    roots_here: tuple[str, ...] = (),
    quiet_while: tuple[str, ...] = (),
    re_alarm_hours: float = 0.0,
) -> AlarmCondition:
    return AlarmCondition(
        name,
        Priority.MEDIUM,
        Visit.WEEK,
        24.0,
        on_delay_ms=on_ms,
        off_delay_ms=off_ms,
        safety=safety,
        roots=roots,
        roots_here=roots_here,
        quiet_while=quiet_while,
        re_alarm_hours=re_alarm_hours,
    )


def key_of(name: str, subject: str = "bank", bank: str = "b") -> AlarmKey:
    return AlarmKey(bank, name, subject)


def at(milliseconds: int, session: int = 1) -> Instant:
    return Instant(session, milliseconds)


class Stored:
    """What a store keeps of a desk's results: rows as JSON text, and every change."""

    def __init__(self) -> None:
        self.rows: dict[AlarmKey, str] = {}
        self.changes: list[AlarmChange] = []

    def take(self, results: AlarmResults) -> None:
        for alarm in results.alarms:
            self.rows[alarm.key] = json.dumps(alarm_to_plain(alarm), allow_nan=False)
        for key in results.gone:
            self.rows.pop(key, None)
        self.changes.extend(results.changes)

    def alarms(self) -> list[Alarm]:
        return [alarm_from_plain(json.loads(text)) for text in self.rows.values()]


class Site:
    """A desk with its store; `reload` makes a new one of what is stored."""

    def __init__(self, conditions: Iterable[AlarmCondition], reloads: bool = False) -> None:
        self.conditions = tuple(conditions)
        self.reloads = reloads
        self.stored = Stored()
        self.desk = Desk(self.conditions)

    def reload(self) -> None:
        self.desk = Desk(self.conditions, self.stored.alarms())

    def look(
        self,
        now_ms: int,
        *true: AlarmKey | ConditionNow,
        quiet: Mapping[str, Mapping[str, str]] | None = None,
        session: int = 1,
    ) -> AlarmResults:
        told = [one if isinstance(one, ConditionNow) else ConditionNow(one, True) for one in true]
        return self._took(self.desk.look(at(now_ms, session), told, quiet))

    def act(
        self,
        now_ms: int,
        event: AlarmEvent,
        key: AlarmKey,
        until_ms: int | None = None,
        one_shot: bool = False,
        who: str = "keeper",
        quiet: Mapping[str, Mapping[str, str]] | None = None,
    ) -> AlarmResults:
        action = KeeperAction(key, event, who, "because", until_ms, one_shot)
        return self._took(self.desk.act(at(now_ms), [action], quiet))

    def state(self, key: AlarmKey) -> AlarmState:
        return self.desk.alarms.get(key, Alarm(key)).state

    def _took(self, results: AlarmResults) -> AlarmResults:
        self.stored.take(results)
        if self.reloads:
            self.reload()
        return results


def events_of(changes: Sequence[AlarmChange]) -> list[AlarmEvent]:
    return [one.event for one in changes]
