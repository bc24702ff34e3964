"""Conditions of charging: too little, too much, and a charger that is set wrong."""

from __future__ import annotations

from loggerd.alarms.catalogue import DAY_HOURS, HOUR_MS, AlarmCondition
from loggerd.model.alarm import Priority, Visit

CONDITIONS: tuple[AlarmCondition, ...] = (
    AlarmCondition(
        "undercharged",
        Priority.MEDIUM,
        Visit.WEEK,
        7 * DAY_HOURS,
        (("full_charge.days_since", ("long_overdue",)), ("full_charge.undercharge", ("chronic",))),
        off_delay_ms=HOUR_MS,
        roots=("current_wrong", "set_point_low", "shorted_cell"),
        re_alarm_hours=14 * DAY_HOURS,
    ),
    AlarmCondition(
        "overcharge",
        Priority.MEDIUM,
        Visit.WEEK,
        7 * DAY_HOURS,
        (("full_charge.overcharge", ("high",)),),
        off_delay_ms=6 * HOUR_MS,
        roots=("current_wrong", "set_point_high", "compensation_wrong", "shorted_cell"),
        quiet_while=("equalizing",),
    ),
    AlarmCondition(
        "set_point_low",
        Priority.MEDIUM,
        Visit.WEEK,
        7 * DAY_HOURS,
        (("full_charge.set_points", ("low",)),),
        off_delay_ms=24 * HOUR_MS,
    ),
    AlarmCondition(
        "set_point_high",
        Priority.MEDIUM,
        Visit.WEEK,
        3 * DAY_HOURS,
        (("full_charge.set_points", ("high",)),),
        off_delay_ms=24 * HOUR_MS,
        quiet_while=("equalizing",),
    ),
    AlarmCondition(
        "compensation_wrong",
        Priority.LOW,
        Visit.ROUND,
        30 * DAY_HOURS,
        (("full_charge.compensation", ("none", "too_strong", "follows_ambient")),),
        off_delay_ms=24 * HOUR_MS,
        roots=("probe_fault",),
    ),
)
