"""One root cause gives one alarm: which standing alarm another one follows from. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from loggerd.alarms.catalogue import AlarmCondition
from loggerd.alarms.places import same_place
from loggerd.model.alarm import Alarm, AlarmKey, AlarmState


def root_of(
    alarm: Alarm, standing: Mapping[AlarmKey, Alarm], conditions: Mapping[str, AlarmCondition]
) -> AlarmKey | None:
    """The alarm at the beginning of the chain that this one follows from, None if it stands for itself.

    `standing`: the active alarms. One that is out of service explains nothing. An alarm that is about danger to people
    follows only from one that is as well.
    """
    seen = {alarm.key}
    root = None
    current: Alarm | None = alarm
    while current is not None:
        key = _nearest(current, standing, conditions)
        if key is None or key in seen:
            break
        seen.add(key)
        root, current = key, standing.get(key)
    return root


def _nearest(
    alarm: Alarm, standing: Mapping[AlarmKey, Alarm], conditions: Mapping[str, AlarmCondition]
) -> AlarmKey | None:
    condition = conditions.get(alarm.key.condition)
    if condition is None:
        return None
    explains = sorted(
        key
        for key, other in standing.items()
        if key != alarm.key
        and other.state is not AlarmState.OUT_OF_SERVICE
        and (key.condition in conditions)
        and (conditions[key.condition].safety or not condition.safety)
    )
    for key in alarm.follows:
        if key in explains:
            return key
    for name in (*condition.roots, *condition.roots_here):
        for key in explains:
            if key.condition != name or key.bank not in (alarm.key.bank, ""):
                continue
            if name in condition.roots or same_place(key.subject, alarm.key.subject):
                return key
    return None
