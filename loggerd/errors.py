"""The error tree. Whose fault it is, is in the type.

LoggerdError
├── SettingsError       the keeper's settings: file, key, found, expected (all faults at once)
├── InstrumentError     an instrument or its wire
│   ├── Absent          the port or host is not there
│   ├── Silent          no answer in time
│   ├── Garbled         an answer that cannot be the right one (length, device id, checksum, form)
│   └── Refused         the instrument answered with an exception code
├── ReadingsFileError   a file of past readings: file, line, found, expected
├── StoreError          the record
│   ├── StoreFull       no space left
│   ├── StoreHeld       another process is writing it
│   ├── StoreDamaged    it cannot be read; says what is still whole and the way back
│   └── StoreTooNew     written by a newer loggerd
├── RequestRefused      what a command asked for cannot be taken in: says why
└── DeliveryError       something outside that takes our results
    ├── DeliveryLater   try again (link down, server busy)
    └── DeliveryRefused it will not be taken, trying again does not help
Anything else that is raised is a bug in loggerd.
"""

from __future__ import annotations

from dataclasses import dataclass


class LoggerdError(Exception):
    """Base of every error that loggerd raises on purpose. The text is for a keeper."""


@dataclass(frozen=True)
class SettingsFault:
    """One fault in a settings file, ready to print.

    `where` names file, line and key; `found` is what stands there; `expected` is what is wanted.
    """

    where: str
    found: str
    expected: str

    def __str__(self) -> str:
        return f"{self.where}: found {self.found}; expected {self.expected}"


class SettingsError(LoggerdError):
    """The settings cannot be used. `faults` lists every fault found, not just the first."""

    def __init__(self, faults: list[SettingsFault]) -> None:
        self.faults = faults
        super().__init__("\n".join(str(fault) for fault in faults))


class InstrumentError(LoggerdError):
    """An instrument could not be read. `device` is its name in the settings."""

    def __init__(self, device: str, what: str) -> None:
        self.device = device
        self.what = what
        super().__init__(f'device "{device}": {what}')


class Absent(InstrumentError):  # noqa: N818 - the family name is in the base class
    """The port or host is not there."""


class Silent(InstrumentError):  # noqa: N818
    """No answer in time."""


class Garbled(InstrumentError):  # noqa: N818
    """An answer came that cannot be the right one."""


class Refused(InstrumentError):  # noqa: N818
    """The instrument answered that it cannot do this."""


class ReadingsFileError(LoggerdError):
    """A file of past readings cannot be used."""


class StoreError(LoggerdError):
    """The record cannot be used as asked."""


class StoreFull(StoreError):  # noqa: N818
    """No space is left for the record."""


class StoreHeld(StoreError):  # noqa: N818
    """Another process is writing the record."""


class StoreDamaged(StoreError):  # noqa: N818
    """The record is damaged."""


class StoreTooNew(StoreError):  # noqa: N818
    """The record was written by a newer loggerd."""


class RequestRefused(LoggerdError):  # noqa: N818
    """What a command asked for cannot be taken in."""


class DeliveryError(LoggerdError):
    """Something outside did not take our results."""


class DeliveryLater(DeliveryError):  # noqa: N818
    """Worth trying again."""


class DeliveryRefused(DeliveryError):  # noqa: N818
    """Trying again does not help."""
