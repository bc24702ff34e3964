"""Conditions that show while the bank rests."""

from __future__ import annotations

from loggerd.alarms.catalogue import DAY_HOURS, HOUR_MS, AlarmCondition
from loggerd.model.alarm import Priority, Visit

CONDITIONS: tuple[AlarmCondition, ...] = (
    AlarmCondition(
        "self_discharge",
        Priority.LOW,
        Visit.ROUND,
        14 * DAY_HOURS,
        (("rest.self_discharge", ("high",)),),
        off_delay_ms=24 * HOUR_MS,
        roots=("shorted_cell", "block_self_discharge", "current_wrong"),
    ),
    AlarmCondition(
        "steady_load",
        Priority.LOW,
        Visit.WEEK,
        7 * DAY_HOURS,
        (("rest.parasitic", ("grown", "heavy")),),
        off_delay_ms=24 * HOUR_MS,
        roots=("current_wrong", "zero_offset"),
    ),
    AlarmCondition(
        "sulfating",
        Priority.MEDIUM,
        Visit.WEEK,
        7 * DAY_HOURS,
        (("rest.sulfation", ("sulfated",)),),
        off_delay_ms=24 * HOUR_MS,
        roots=("current_wrong", "set_point_low", "undercharged"),
        re_alarm_hours=30 * DAY_HOURS,
    ),
    AlarmCondition(
        "layered_acid",
        Priority.LOW,
        Visit.WEEK,
        7 * DAY_HOURS,
        (("rest.stratification", ("likely",)),),
        off_delay_ms=24 * HOUR_MS,
        roots=("current_wrong", "set_point_low", "undercharged"),
        re_alarm_hours=30 * DAY_HOURS,
    ),
)
