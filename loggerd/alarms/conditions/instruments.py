"""Conditions of the instruments and their clock, told by the health of devices and not by findings of a bank."""

from __future__ import annotations

from loggerd.alarms.catalogue import DAY_HOURS, MINUTE_MS, AlarmCondition
from loggerd.model.alarm import Priority, Visit

CONDITIONS: tuple[AlarmCondition, ...] = (
    AlarmCondition(
        "device_silent",
        Priority.MEDIUM,
        Visit.WEEK,
        DAY_HOURS,
        on_delay_ms=MINUTE_MS,
        off_delay_ms=5 * MINUTE_MS,
        roots=("polling_stopped",),
        re_alarm_hours=7 * DAY_HOURS,
        source="delay of a minute: usual starting value of ISA-18.2 for slow signals; the rest common practice",
    ),
    AlarmCondition(
        "clock_not_set",
        Priority.LOW,
        Visit.ROUND,
        14 * DAY_HOURS,
        on_delay_ms=60 * MINUTE_MS,
    ),
)
