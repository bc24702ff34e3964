"""Loads the settings of a site, or says everything that is wrong with them."""

from __future__ import annotations

from pathlib import Path

from pydantic import ValidationError

from loggerd.errors import SettingsError, SettingsFault
from loggerd.settings.base import Table
from loggerd.settings.checks import cross_faults
from loggerd.settings.connection import CsvFile
from loggerd.settings.device import DeviceSettings
from loggerd.settings.document import read_document
from loggerd.settings.draft import draft_of
from loggerd.settings.faults import Fault
from loggerd.settings.key_lines import KeyPath
from loggerd.settings.maps import Merged, merge_maps
from loggerd.settings.model_faults import model_faults
from loggerd.settings.site import SiteSettings


def load_settings(path: Path) -> SiteSettings:
    """The settings in a file, device maps in place, paths made absolute (they are relative to the file).

    Opens nothing but the file and its maps. Raises SettingsError with every fault found.
    """
    merged = merge_maps(read_document(path), path.parent)
    faults = list(merged.faults)
    settings: SiteSettings | None = None
    try:
        settings = SiteSettings.model_validate(merged.raw)
    except ValidationError as error:
        faults += model_faults(error, merged.raw)
    faults += cross_faults(draft_of(merged.raw, merged.unmapped))
    faults = [fault for fault in faults if not _unknowable(fault, merged)]
    if faults or merged.map_faults or settings is None:
        raise SettingsError(_rendered(faults, merged))
    return _with_absolute_paths(settings, path.parent.absolute())


def _unknowable(fault: Fault, merged: Merged) -> bool:
    """Without its map, a device's channels are incomplete for no fault of theirs."""
    return len(fault.path) > 2 and fault.path[1] in merged.unmapped and fault.path[2] in {"channel", "lines"}


def _rendered(faults: list[Fault], merged: Merged) -> list[SettingsFault]:
    first: dict[KeyPath, Fault] = {}
    for fault in faults:
        first.setdefault(fault.path, fault)
    located = sorted(first.values(), key=lambda fault: merged.place(fault.path))
    rendered = merged.map_faults + [_render(fault, merged) for fault in located]
    # A map that two devices use is complained of once.
    return list(dict.fromkeys(rendered))


def _render(fault: Fault, merged: Merged) -> SettingsFault:
    found = fault.found
    if fault.other is not None:
        found += f" (see {merged.where(fault.other)})"
    return SettingsFault(merged.where(fault.path), found, fault.expected)


def _with_absolute_paths(settings: SiteSettings, folder: Path) -> SiteSettings:
    record = settings.record.model_copy(
        update={
            "path": str(folder / settings.record.path),
            "backup_path": _absolute(settings.record.backup_path, folder),
        }
    )
    time_series = settings.time_series
    if time_series is not None:
        time_series = time_series.model_copy(update={"token_file": _absolute(time_series.token_file, folder)})
    mail, webhook, heartbeat = settings.mail, settings.webhook, settings.heartbeat
    if mail is not None:
        mail = mail.model_copy(update=_absolute_keys(mail, folder, "password_file", "ca_file"))
    if webhook is not None:
        webhook = webhook.model_copy(update=_absolute_keys(webhook, folder, "secret_file", "ca_file"))
    if heartbeat is not None:
        heartbeat = heartbeat.model_copy(update=_absolute_keys(heartbeat, folder, "secret_file"))
    devices = tuple(_device_with_absolute_path(device, folder) for device in settings.devices)
    web = settings.web.model_copy(update=_absolute_keys(settings.web, folder, "certificate_file", "key_file"))
    changed = {"record": record, "time_series": time_series, "devices": devices, "mail": mail, "webhook": webhook}
    return settings.model_copy(update={**changed, "heartbeat": heartbeat, "web": web})


def _device_with_absolute_path(device: DeviceSettings, folder: Path) -> DeviceSettings:
    if not isinstance(device.connection, CsvFile):
        return device
    connection = device.connection.model_copy(update={"path": str(folder / device.connection.path)})
    return device.model_copy(update={"connection": connection})


def _absolute_keys(table: Table, folder: Path, *keys: str) -> dict[str, str | None]:
    return {key: _absolute(getattr(table, key), folder) for key in keys}


def _absolute(path: str | None, folder: Path) -> str | None:
    return None if path is None else str(folder / path)
