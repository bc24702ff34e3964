"""Alarms and their changes as plain values (JSON), as they are stored; floats read back exactly."""

from __future__ import annotations

from typing import Any

from loggerd.model.alarm import Alarm, AlarmChange, AlarmEvent, AlarmKey, AlarmState
from loggerd.model.ledger import Figure, Instant


def alarm_to_plain(alarm: Alarm) -> dict[str, Any]:
    return {
        "key": _key(alarm.key),
        "state": alarm.state.value,
        "active": alarm.active,
        "pending": _instant(alarm.pending),
        "raised": _instant(alarm.raised),
        "cleared": _instant(alarm.cleared),
        "since": _instant(alarm.since),
        "acknowledged_by": alarm.acknowledged_by,
        "shelved_until_ms": alarm.shelved_until_ms,
        "one_shot": alarm.one_shot,
        "root": _key(alarm.root) if alarm.root else None,
        "level": alarm.level,
        "hold": alarm.hold,
        "told": alarm.told,
        "acted_ms": alarm.acted_ms,
        "evidence": _figures(alarm.evidence),
        "reason": alarm.reason,
        "follows": [_key(key) for key in alarm.follows],
        "quiet": _instant(alarm.quiet),
    }


def alarm_from_plain(plain: dict[str, Any]) -> Alarm:
    """The alarm that was made plain. Raises KeyError, TypeError or ValueError if it was not."""
    return Alarm(
        key=AlarmKey(*plain["key"]),
        state=AlarmState(plain["state"]),
        active=plain["active"],
        pending=_instant_of(plain["pending"]),
        raised=_instant_of(plain["raised"]),
        cleared=_instant_of(plain["cleared"]),
        since=_instant_of(plain["since"]),
        acknowledged_by=plain["acknowledged_by"],
        shelved_until_ms=plain["shelved_until_ms"],
        one_shot=plain["one_shot"],
        root=AlarmKey(*plain["root"]) if plain["root"] else None,
        level=plain["level"],
        hold=plain["hold"],
        told=plain["told"],
        acted_ms=plain["acted_ms"],
        evidence=_figures_of(plain["evidence"]),
        reason=plain["reason"],
        follows=tuple(AlarmKey(*key) for key in plain["follows"]),
        quiet=_instant_of(plain["quiet"]),
    )


def change_to_plain(change: AlarmChange) -> dict[str, Any]:
    return {
        "key": _key(change.key),
        "at": _instant(change.at),
        "event": change.event.value,
        "before": change.before.value,
        "after": change.after.value,
        "who": change.who,
        "why": change.why,
        "root": _key(change.root) if change.root else None,
        "evidence": _figures(change.evidence),
    }


def change_from_plain(plain: dict[str, Any]) -> AlarmChange:
    """The change that was made plain. Raises KeyError, TypeError or ValueError if it was not."""
    return AlarmChange(
        AlarmKey(*plain["key"]),
        Instant(*plain["at"]),
        AlarmEvent(plain["event"]),
        AlarmState(plain["before"]),
        AlarmState(plain["after"]),
        plain["who"],
        plain["why"],
        AlarmKey(*plain["root"]) if plain["root"] else None,
        _figures_of(plain["evidence"]),
    )


def _key(key: AlarmKey) -> list[str]:
    return [key.bank, key.condition, key.subject]


def _instant(instant: Instant | None) -> list[int] | None:
    return None if instant is None else [instant.session, instant.at_ms]


def _instant_of(plain: list[int] | None) -> Instant | None:
    return None if plain is None else Instant(*plain)


def _figures(figures: tuple[Figure, ...]) -> list[list[Any]]:
    return [[one.name, one.value, one.low, one.high, one.reason] for one in figures]


def _figures_of(plain: list[list[Any]]) -> tuple[Figure, ...]:
    return tuple(Figure(*one) for one in plain)
