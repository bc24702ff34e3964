"""Alarms beside the commits: what holds by findings, instruments, logger and log book, through the desk.

Used by the one thread that writes. What a look comes to is stored in the same transaction as the readings it rests on;
after a fault of the record everything is taken up from the record again.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from loggerd.alarms.conditions import ALARM_CONDITIONS
from loggerd.alarms.desk import Desk
from loggerd.alarms.from_findings import conditions_of
from loggerd.alarms.from_health import DeviceHealth, LoggerHealth, conditions_of_devices, conditions_of_logger
from loggerd.alarms.quiet import quiet_now
from loggerd.model.alarm import Alarm, AlarmResults, ConditionNow, KeeperAction
from loggerd.model.finding import Finding
from loggerd.model.ledger import Instant
from loggerd.model.log_book import LogEntry
from loggerd.settings.domain import series_of
from loggerd.settings.site import SiteSettings
from loggerd.store.record import BankResults, RecordReader, TakenIn

_DISK_EVERY_MS = 60_000


class Alarming:
    """All alarms of a site, and what they are raised by."""

    def __init__(
        self,
        settings: SiteSettings,
        folder: Path,
        alarms: Iterable[Alarm],
        findings: Mapping[str, Sequence[Finding]],
        log: Iterable[LogEntry],
    ) -> None:
        self._interval_ms = {one.name: round(one.poll_seconds * 1000) for one in settings.devices}
        self._devices = _devices_of_channels(settings)
        self._banks = [bank.name for bank in settings.banks]
        self._folder = folder
        self._desk = Desk(ALARM_CONDITIONS, alarms)
        self._findings = {bank: {one.key: one for one in findings.get(bank, ())} for bank in self._banks}
        self._log = {bank: [entry for entry in log if entry.bank == bank] for bank in self._banks}
        self._disk_free: float | None = None
        self._disk_looked_ms: int | None = None

    @staticmethod
    def open(settings: SiteSettings, path: Path) -> Alarming:
        """As the record at `path` has it. Raises StoreError."""
        reader = RecordReader.open(path)
        try:
            findings = {
                bank.name: [one.finding for one in reader.newest_findings(bank.name)] for bank in settings.banks
            }
            log = [taken.entry for taken in reader.log_entries()]
            return Alarming(settings, path.parent, reader.alarms(), findings, log)
        finally:
            reader.close()

    def take(self, results: Iterable[BankResults], log: Iterable[TakenIn]) -> None:
        """What a commit has found, and what was written into the log book."""
        for one in results:
            self._findings[one.bank].update({finding.key: finding for finding in one.results.findings})
        for taken in log:
            self._log.setdefault(taken.entry.bank, []).append(taken.entry)

    def look(
        self, now: Instant, wall_ms: int, heard_ms: Mapping[str, int], behind: Iterable[str], health: LoggerHealth
    ) -> AlarmResults:
        """How all alarms stand. `heard_ms`: how long ago each device was heard; `behind`: banks still catching up,
        whose alarms stay as they are.
        """
        devices = [DeviceHealth(name, heard_ms[name], self._interval_ms[name]) for name in heard_ms]
        conditions = conditions_of_devices(devices)
        conditions += conditions_of_logger(replace(health, disk_free_fraction=self._free(wall_ms)))
        waiting = set(behind)
        for bank in self._banks:
            if bank in waiting:
                conditions += [ConditionNow(key, False, known=False) for key in self._desk.alarms if key.bank == bank]
            else:
                found = list(self._findings[bank].values())
                conditions += conditions_of(bank, found, ALARM_CONDITIONS, self._devices.get(bank))
        return self._desk.look(now, conditions, self._quiet(wall_ms))

    def act(self, now: Instant, wall_ms: int, actions: Iterable[KeeperAction]) -> AlarmResults:
        """What keepers ask for."""
        return self._desk.act(now, actions, self._quiet(wall_ms))

    def _quiet(self, wall_ms: int) -> dict[str, dict[str, str]]:
        found = {bank: quiet_now(entries, wall_ms) for bank, entries in self._log.items()}
        return {bank: quiet for bank, quiet in found.items() if quiet}

    def _free(self, wall_ms: int) -> float | None:
        """Share of the record's disk that is free, looked at once a minute."""
        if self._disk_looked_ms is None or not 0 <= wall_ms - self._disk_looked_ms < _DISK_EVERY_MS:
            usage = shutil.disk_usage(self._folder)
            self._disk_free, self._disk_looked_ms = usage.free / usage.total, wall_ms
        return self._disk_free


def _devices_of_channels(settings: SiteSettings) -> dict[str, dict[str, str]]:
    """By bank: channel name to the device that reads it."""
    found: dict[str, dict[str, str]] = {}
    for device, rows in series_of(settings).items():
        for one in rows:
            found.setdefault(one.bank, {})[one.channel.name] = device
    return found
