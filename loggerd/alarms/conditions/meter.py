"""Conditions of the measuring: shunt, taps, probes, and channels as they are read."""

from __future__ import annotations

from loggerd.alarms.catalogue import DAY_HOURS, HOUR_MS, AlarmCondition
from loggerd.model.alarm import Priority, Visit

CONDITIONS: tuple[AlarmCondition, ...] = (
    AlarmCondition(
        "current_wrong",
        Priority.MEDIUM,
        Visit.WEEK,
        7 * DAY_HOURS,
        (
            ("meter.bypass", ("bypassed_load", "bypassed_charger", "bypassed_both")),
            ("meter.shunt_scale", ("too_small", "too_large")),
            ("meter.current_sign", ("reversed",)),
        ),
        off_delay_ms=6 * HOUR_MS,
    ),
    AlarmCondition(
        "zero_offset",
        Priority.LOW,
        Visit.ROUND,
        30 * DAY_HOURS,
        (("meter.zero_offset", ("offset",)),),
        off_delay_ms=24 * HOUR_MS,
        roots=("current_wrong",),
    ),
    AlarmCondition(
        "tap_fault",
        Priority.LOW,
        Visit.ROUND,
        14 * DAY_HOURS,
        (
            ("meter.taps", ("sum_off", "mirror", "swapped", "shifted", "reversed", "no_reading")),
            ("blocks.cause", ("bad_tap",)),
        ),
        off_delay_ms=6 * HOUR_MS,
        roots_here=("sensor_fault",),
    ),
    AlarmCondition(
        "probe_fault",
        Priority.LOW,
        Visit.ROUND,
        14 * DAY_HOURS,
        (("meter.temperature", ("drifting", "dead", "detached")),),
        off_delay_ms=24 * HOUR_MS,
        roots_here=("sensor_fault",),
    ),
    AlarmCondition(
        "sensor_fault",
        Priority.LOW,
        Visit.WEEK,
        7 * DAY_HOURS,
        (("meter.channel", ("noisy", "out_of_range", "silent", "stuck")),),
        on_delay_ms=HOUR_MS // 4,
        off_delay_ms=6 * HOUR_MS,
    ),
)
