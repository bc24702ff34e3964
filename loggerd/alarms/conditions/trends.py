"""Conditions that build up over months."""

from __future__ import annotations

from loggerd.alarms.catalogue import DAY_HOURS, HOUR_MS, AlarmCondition
from loggerd.model.alarm import Priority, Visit

CONDITIONS: tuple[AlarmCondition, ...] = (
    AlarmCondition(
        "end_of_life",
        Priority.LOW,
        Visit.ROUND,
        60 * DAY_HOURS,
        (("trends.end_of_life", ("reached",)),),
        off_delay_ms=24 * HOUR_MS,
        roots=("current_wrong", "low_capacity", "undercharged"),
    ),
)
