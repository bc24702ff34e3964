"""Health of instruments and of the logger to the conditions that it makes true. Pure.

Conditions that hold are told; those that do not are left out, which the desk takes as false.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from loggerd.alarms.catalogue import HOUR_MS, MINUTE_MS
from loggerd.alarms.from_findings import SILENT_DEVICE
from loggerd.model.alarm import AlarmKey, ConditionNow
from loggerd.model.ledger import Figure, Instant

SILENT_INTERVALS = 3
"""A device that has let so many of its polls pass is silent; common practice, no source."""
LEAST_SILENT_MS = 2 * MINUTE_MS
MAIL_STUCK_MS = 6 * HOUR_MS
"""A link may be down half the day; what has waited longer than this is told on the page and in the log."""


@dataclass(frozen=True)
class DeviceHealth:
    """How a device answers. `silent_ms`: since its last reading; `interval_ms`: how often it is asked."""

    name: str
    silent_ms: int
    interval_ms: int
    last: Instant | None = None
    reason: str = ""

    @property
    def silent(self) -> bool:
        return self.silent_ms >= max(SILENT_INTERVALS * self.interval_ms, LEAST_SILENT_MS)


@dataclass(frozen=True)
class LoggerHealth:
    """What the logger knows of itself; None and "" where all is well or nothing is known.

    `disk_days_left`: until the disk is full at the present rate; `disk_free_fraction` of it that is free;
    `not_stored_ms`: how long readings have waited to be stored; `record_damage`: what is wrong with the record, in
    words; `mail_waiting_ms`: age of the oldest mail that waits; `mail_refused`: what a server said that refused one;
    `clock_unset`: why dates are guessed; `not_polling`: lines that no longer ask, in words; `watched_silent_ms`: by
    site that is watched from here, how long its heartbeat is overdue.
    """

    disk_days_left: float | None = None
    disk_free_fraction: float | None = None
    not_stored_ms: int = 0
    record_damage: str = ""
    mail_waiting_ms: int = 0
    mail_refused: str = ""
    clock_unset: str = ""
    not_polling: str = ""
    watched_silent_ms: tuple[tuple[str, int], ...] = ()


LEAST_DISK_DAYS = 14.0
LEAST_DISK_FRACTION = 0.05
LONGEST_NOT_STORED_MS = 5 * MINUTE_MS


def conditions_of_devices(devices: Iterable[DeviceHealth]) -> list[ConditionNow]:
    """`device_silent` of each device that does not answer."""
    return [
        ConditionNow(
            AlarmKey("", SILENT_DEVICE, one.name),
            True,
            since=one.last,
            evidence=(Figure("silent_minutes", _coarse(one.silent_ms / MINUTE_MS)),),
            reason=one.reason or "it does not answer",
        )
        for one in devices
        if one.silent
    ]


def conditions_of_logger(health: LoggerHealth) -> list[ConditionNow]:
    """The logger's own conditions that hold."""
    told = [_disk(health), _storing(health), _mail(health)]
    if health.record_damage:
        told.append(_own("record_damaged", health.record_damage))
    if health.clock_unset:
        told.append(_own("clock_not_set", health.clock_unset))
    if health.not_polling:
        told.append(_own("polling_stopped", health.not_polling))
    for site, silent_ms in health.watched_silent_ms:
        if silent_ms > 0:
            hours = silent_ms / HOUR_MS
            told.append(
                _own("logger_silent", "its heartbeat has not come", site, Figure("overdue_hours", _coarse(hours))),
            )
    return [one for one in told if one is not None]


def _coarse(value: float) -> float:
    """Rounded down to one or two figures: evidence that grew with every look would be stored with every commit."""
    if value < 1:
        return 0.0
    step = 10 ** (len(str(int(value))) - 1) / 2
    return float(value // step * step)


def _own(name: str, reason: str, subject: str = "logger", *evidence: Figure) -> ConditionNow:
    return ConditionNow(AlarmKey("", name, subject), True, evidence=evidence, reason=reason)


def _disk(health: LoggerHealth) -> ConditionNow | None:
    days, free = health.disk_days_left, health.disk_free_fraction
    short = days is not None and days < LEAST_DISK_DAYS
    tight = free is not None and free < LEAST_DISK_FRACTION
    if not short and not tight:
        return None
    evidence = [Figure("disk_days_left", _coarse(days))] if days is not None else []
    if free is not None:
        evidence.append(Figure("disk_free_percent", float(round(100 * free))))
    return _own("disk_filling", "the disk of the record fills up", "logger", *evidence)


def _storing(health: LoggerHealth) -> ConditionNow | None:
    if health.not_stored_ms < LONGEST_NOT_STORED_MS:
        return None
    minutes = Figure("not_stored_minutes", _coarse(health.not_stored_ms / MINUTE_MS))
    return _own("not_storing", "readings wait to be stored", "logger", minutes)


def _mail(health: LoggerHealth) -> ConditionNow | None:
    if not health.mail_refused and health.mail_waiting_ms < MAIL_STUCK_MS:
        return None
    reason = health.mail_refused or "mail has waited for long"
    return _own("mail_stuck", reason, "logger", Figure("waiting_hours", _coarse(health.mail_waiting_ms / HOUR_MS)))
