"""Conditions of joints and links."""

from __future__ import annotations

from loggerd.alarms.catalogue import DAY_HOURS, HOUR_MS, AlarmCondition
from loggerd.model.alarm import Priority, Visit

CONDITIONS: tuple[AlarmCondition, ...] = (
    AlarmCondition(
        "high_resistance_link",
        Priority.MEDIUM,
        Visit.WEEK,
        3 * DAY_HOURS,
        (("resistance.link", ("risen",)),),
        off_delay_ms=24 * HOUR_MS,
        roots_here=("open_circuit", "tap_fault", "sensor_fault"),
    ),
)
