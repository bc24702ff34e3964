"""Conditions of heat, cold, water and gas."""

from __future__ import annotations

from loggerd.alarms.catalogue import DAY_HOURS, HOUR_MS, AlarmCondition
from loggerd.model.alarm import Priority, Visit

CONDITIONS: tuple[AlarmCondition, ...] = (
    AlarmCondition(
        "runaway",
        Priority.CRITICAL,
        Visit.NOW,
        1.0,
        (("heat.runaway", ("act", "stop")),),
        safety=True,
        re_alarm_hours=4.0,
    ),
    AlarmCondition(
        "runaway_watch",
        Priority.HIGH,
        Visit.NOW,
        8.0,
        (("heat.runaway", ("watch",)),),
        roots=("runaway", "shorted_cell", "set_point_high", "compensation_wrong"),
    ),
    AlarmCondition(
        "too_hot",
        Priority.CRITICAL,
        Visit.NOW,
        1.0,
        (("heat.high", ("too_hot",)),),
        safety=True,
        roots=("runaway",),
        re_alarm_hours=12.0,
    ),
    AlarmCondition(
        "too_hot_to_charge",
        Priority.MEDIUM,
        Visit.NOW,
        4.0,
        (("heat.high", ("too_hot_to_charge",)),),
        roots=("runaway", "too_hot", "runaway_watch"),
    ),
    AlarmCondition(
        "freezing",
        Priority.CRITICAL,
        Visit.NOW,
        2.0,
        (("heat.freezing", ("freezing",)),),
        off_delay_ms=6 * HOUR_MS,
        safety=True,
    ),
    AlarmCondition(
        "near_freezing",
        Priority.HIGH,
        Visit.NOW,
        12.0,
        (("heat.freezing", ("near",)),),
        off_delay_ms=6 * HOUR_MS,
        roots=("freezing",),
    ),
    AlarmCondition(
        "drying_out",
        Priority.MEDIUM,
        Visit.WEEK,
        7 * DAY_HOURS,
        (("heat.dry_out", ("likely",)),),
        off_delay_ms=24 * HOUR_MS,
    ),
    AlarmCondition(
        "water_due",
        Priority.LOW,
        Visit.ROUND,
        14 * DAY_HOURS,
        (("heat.water", ("due",)),),
        roots=("current_wrong", "drying_out"),
        re_alarm_hours=30 * DAY_HOURS,
    ),
    AlarmCondition(
        "equalize_advisable",
        Priority.LOW,
        Visit.ROUND,
        14 * DAY_HOURS,
        (("heat.equalize", ("advisable",)),),
        off_delay_ms=24 * HOUR_MS,
        roots=("shorted_cell", "tap_fault", "undercharged", "out_of_balance"),
        quiet_while=("equalizing",),
    ),
)
