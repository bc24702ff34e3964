"""Alarms and their changes as plain values for JSON: as they are stored, with times, names and figures spelled out."""

from __future__ import annotations

from typing import Any

from loggerd.model.alarm import Alarm, AlarmChange
from loggerd.model.alarm_plain import alarm_to_plain, change_to_plain
from loggerd.model.ledger import Instant
from loggerd.outputs.ledger_json import InstantText, instant_text, utc_text
from loggerd.wording.alarm_part import condition_for
from loggerd.wording.reader import Reader

_INSTANTS = ("pending", "raised", "cleared", "since", "quiet", "at")
_NOT_SHOWN = ("hold", "told", "acted_ms")
"""What only the life cycle needs."""


def alarm_values(alarm: Alarm, reader: Reader, text: InstantText = instant_text) -> dict[str, Any]:
    """An alarm as it stands, with its words. Of a condition that this version does not know, only what is stored."""
    plain = {name: value for name, value in alarm_to_plain(alarm).items() if name not in _NOT_SHOWN}
    until_ms = plain.pop("shelved_until_ms")
    condition = condition_for(alarm.key)
    words = reader.alarm_text(alarm.key.condition)
    return {
        **_spelled(plain, text),
        "shelved_until": None if until_ms is None else utc_text(until_ms),
        "title": words.title,
        "do": list(words.do),
        "priority": condition.priority.value if condition else None,
        "visit": condition.visit.value if condition else None,
        "respond_hours": condition.respond_hours if condition else None,
    }


def change_values(change: AlarmChange, text: InstantText = instant_text) -> dict[str, Any]:
    """A change of an alarm."""
    return _spelled(change_to_plain(change), text)


def _spelled(plain: dict[str, Any], text: InstantText) -> dict[str, Any]:
    """Keys and figures as tables, instants as text."""
    values = dict(plain)
    for name in _INSTANTS:
        if name in values:
            values[name] = None if values[name] is None else text(Instant(*values[name]))
    for name in ("key", "root"):
        if name in values:
            values[name] = None if values[name] is None else _key(values[name])
    if "follows" in values:
        values["follows"] = [_key(one) for one in values["follows"]]
    values["evidence"] = [_figure(*one) for one in values["evidence"]]
    return values


def _key(plain: list[str]) -> dict[str, str]:
    return dict(zip(("bank", "condition", "subject"), plain, strict=True))


def _figure(name: str, value: float | None, low: float | None, high: float | None, reason: str) -> dict[str, Any]:
    band = None if low is None or high is None else [low, high]
    return {"name": name, "value": value, "band": band, "reason": reason}
