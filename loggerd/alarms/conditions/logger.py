"""The logger's own conditions: its disk, record, lines and mail; and that of a logger that is watched from here."""

from __future__ import annotations

from loggerd.alarms.catalogue import DAY_HOURS, HOUR_MS, MINUTE_MS, AlarmCondition
from loggerd.model.alarm import Priority, Visit

CONDITIONS: tuple[AlarmCondition, ...] = (
    AlarmCondition(
        "polling_stopped",
        Priority.HIGH,
        Visit.NOW,
        DAY_HOURS,
        on_delay_ms=5 * MINUTE_MS,
        off_delay_ms=5 * MINUTE_MS,
    ),
    AlarmCondition(
        "not_storing",
        Priority.HIGH,
        Visit.NOW,
        DAY_HOURS,
        on_delay_ms=MINUTE_MS,
        off_delay_ms=5 * MINUTE_MS,
        roots=("record_damaged", "disk_filling"),
    ),
    AlarmCondition("disk_filling", Priority.MEDIUM, Visit.WEEK, 7 * DAY_HOURS, off_delay_ms=6 * HOUR_MS),
    AlarmCondition("record_damaged", Priority.HIGH, Visit.WEEK, 3 * DAY_HOURS, off_delay_ms=HOUR_MS),
    AlarmCondition("mail_stuck", Priority.MEDIUM, Visit.WEEK, 3 * DAY_HOURS, off_delay_ms=5 * MINUTE_MS),
    AlarmCondition(
        "logger_silent",
        Priority.HIGH,
        Visit.NOW,
        DAY_HOURS,
        off_delay_ms=5 * MINUTE_MS,
        re_alarm_hours=DAY_HOURS,
    ),
)
