"""Conditions of capacity that is lost."""

from __future__ import annotations

from loggerd.alarms.catalogue import DAY_HOURS, HOUR_MS, AlarmCondition
from loggerd.model.alarm import Priority, Visit

CONDITIONS: tuple[AlarmCondition, ...] = (
    AlarmCondition(
        "low_capacity",
        Priority.LOW,
        Visit.ROUND,
        30 * DAY_HOURS,
        (("capacity.observed", ("fallen", "low")), ("capacity.summary", ("low",))),
        off_delay_ms=24 * HOUR_MS,
        roots=("current_wrong", "shorted_cell", "weak_block", "undercharged", "drying_out"),
        re_alarm_hours=90 * DAY_HOURS,
    ),
)
