"""The parts of the settings that are right in themselves, so that the rest can be checked beside faulty parts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from loggerd.settings.bank import BankSettings
from loggerd.settings.channel import ChannelSettings
from loggerd.settings.connection import Connection
from loggerd.settings.delivery import HeartbeatSettings, KeeperSettings, MailSettings, WebhookSettings
from loggerd.settings.device import LinesSettings
from loggerd.settings.faults import value_at
from loggerd.settings.key_lines import KeyPath
from loggerd.settings.limits import LimitSettings
from loggerd.settings.site import TimeSeriesSettings
from loggerd.settings.web import WebSettings

T = TypeVar("T")
_CONNECTION: TypeAdapter[Connection] = TypeAdapter(Connection)
_CHANNEL = TypeAdapter(ChannelSettings)
_BANK = TypeAdapter(BankSettings)
_LIMIT = TypeAdapter(LimitSettings)
_LINES = TypeAdapter(LinesSettings)
_TIME_SERIES = TypeAdapter(TimeSeriesSettings)
_MAIL = TypeAdapter(MailSettings)
_KEEPER = TypeAdapter(KeeperSettings)
_WEBHOOK = TypeAdapter(WebhookSettings)
_HEARTBEAT = TypeAdapter(HeartbeatSettings)
_WEB = TypeAdapter(WebSettings)


@dataclass(frozen=True)
class DraftChannel:
    """A channel that is right in itself. `given` are the keys that stand in the file."""

    path: KeyPath
    settings: ChannelSettings
    bank: str | None
    given: frozenset[str]


@dataclass(frozen=True)
class DraftDevice:
    """A device; None for a part that is absent or faulty in itself."""

    path: KeyPath
    name: str | None
    raw: dict[str, object]
    connection: Connection | None
    lines: LinesSettings | None
    channels: tuple[DraftChannel, ...]


@dataclass(frozen=True)
class Draft:
    """What the cross checks work on. `raw` is the whole content with maps in place."""

    raw: dict[str, object]
    banks: tuple[tuple[KeyPath, BankSettings], ...]
    bank_names: frozenset[str]
    """Also those of banks that are faulty in themselves."""
    limits: tuple[tuple[KeyPath, LimitSettings], ...]
    """Of all banks, in the order of the file."""
    devices: tuple[DraftDevice, ...]
    time_series: TimeSeriesSettings | None
    mail: MailSettings | None
    keepers: tuple[tuple[KeyPath, KeeperSettings], ...]
    keeper_names: frozenset[str]
    """Also those of keepers that are faulty in themselves."""
    webhook: WebhookSettings | None
    heartbeat: HeartbeatSettings | None
    web: WebSettings | None

    def bank(self, name: str | None) -> BankSettings | None:
        """The bank of that name, if it is right in itself and the only one of that name."""
        found = [bank for _, bank in self.banks if bank.name == name]
        return found[0] if len(found) == 1 else None

    def channels(self) -> Iterator[tuple[DraftDevice, DraftChannel]]:
        """All channels of all devices."""
        for device in self.devices:
            for channel in device.channels:
                yield device, channel


def draft_of(raw: dict[str, object], unmapped: set[int]) -> Draft:
    """Validate every part for itself. Channels of devices in `unmapped` are left out."""
    banks = [(path, _valid(_BANK, entry)) for path, entry in _entries(raw, "bank")]
    names = [value_at(entry, ("name",)) for _, entry in _entries(raw, "bank")]
    keepers = [(path, _valid(_KEEPER, entry)) for path, entry in _entries(raw, "keeper")]
    keeper_names = [value_at(entry, ("name",)) for _, entry in _entries(raw, "keeper")]
    return Draft(
        raw=raw,
        banks=tuple((path, bank) for path, bank in banks if bank is not None),
        bank_names=frozenset(name for name in names if isinstance(name, str)),
        limits=tuple(_limits(raw)),
        devices=tuple(
            _device(path, entry, path[1] not in unmapped)
            for path, entry in _entries(raw, "device")
            if isinstance(entry, dict)
        ),
        time_series=_valid(_TIME_SERIES, raw.get("time_series")),
        mail=_valid(_MAIL, raw.get("mail")),
        keepers=tuple((path, keeper) for path, keeper in keepers if keeper is not None),
        keeper_names=frozenset(name for name in keeper_names if isinstance(name, str)),
        webhook=_valid(_WEBHOOK, raw.get("webhook")),
        heartbeat=_valid(_HEARTBEAT, raw.get("heartbeat")),
        web=_valid(_WEB, raw.get("web")),
    )


def _entries(raw: object, key: str) -> list[tuple[KeyPath, object]]:
    entries = value_at(raw, (key,))
    return [((key, index), entry) for index, entry in enumerate(entries)] if isinstance(entries, list) else []


def _limits(raw: object) -> Iterator[tuple[KeyPath, LimitSettings]]:
    for bank_path, bank in _entries(raw, "bank"):
        for path, entry in _entries(bank, "limit"):
            limit = _valid(_LIMIT, entry)
            if limit is not None:
                yield (*bank_path, *path), limit


def _device(path: KeyPath, raw: dict[str, object], with_channels: bool) -> DraftDevice:
    name = raw.get("name")
    bank = raw.get("bank")
    channels = []
    for (_, index), entry in _entries(raw, "channel") if with_channels else []:
        settings = _valid(_CHANNEL, entry)
        if settings is not None and isinstance(entry, dict):
            own_bank = settings.bank or (bank if isinstance(bank, str) else None)
            channels.append(DraftChannel((*path, "channel", index), settings, own_bank, frozenset(entry)))
    return DraftDevice(
        path=path,
        name=name if isinstance(name, str) else None,
        raw=raw,
        connection=_valid(_CONNECTION, raw.get("connection")),
        lines=_valid(_LINES, raw.get("lines")),
        channels=tuple(channels),
    )


def _valid(adapter: TypeAdapter[T], value: Any) -> T | None:
    try:
        return adapter.validate_python(value)
    except ValidationError:
        return None  # the model of the whole file reports it
