"""What the settings mean, in plain words, for `loggerd check`."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from loggerd.model.bank import Accuracy, Bank
from loggerd.model.channels import Quantity
from loggerd.settings.channel import ChannelSettings, InForce
from loggerd.settings.connection import Connection, CsvFile, SerialLines, SunspecSerial, SunspecTcp
from loggerd.settings.device import DeviceSettings
from loggerd.settings.domain import FINE_PER_TRADE, banks, series_of
from loggerd.settings.site import SiteSettings
from loggerd.settings.summary_telling import telling, telling_lines

_TWO_WAYS = {Quantity.AMPS, Quantity.AMP_HOURS}


def summary(settings: SiteSettings) -> dict[str, Any]:
    """Banks, devices with their channels, the record, and who is told what, as plain values for JSON."""
    return {
        "site": settings.site.name,
        "timezone": settings.site.timezone,
        "banks": [_bank(bank) for bank in banks(settings)],
        "devices": [_device(settings, device) for device in settings.devices],
        "record": settings.record.path,
        "commit_seconds": settings.record.commit_seconds,
        "time_series": settings.time_series is not None,
        "telling": telling(settings),
    }


def summary_lines(settings: SiteSettings) -> Iterator[str]:
    """The same for people."""
    content = summary(settings)
    yield f"Site {content['site']} (time zone {content['timezone']})"
    for bank in content["banks"]:
        yield f'Bank "{bank["name"]}": {bank["words"]}'
    for device in content["devices"]:
        yield f'Device "{device["name"]}": {device["connection"]}, every {device["poll_seconds"]:g} s'
        for channel in device["channels"]:
            yield f'  {channel["channel"]} of bank "{channel["bank"]}"'
            yield from (f"    {line}" for line in channel["words"])
    if not content["devices"]:
        yield "No devices: files of past readings can be replayed."
    yield f"Record {content['record']}, written every {content['commit_seconds']:g} s"
    if content["time_series"]:
        yield "Ledger rows are sent to a time-series server."
    yield from telling_lines(content["telling"])
    yield "The settings can be used."


def _bank(bank: Bank) -> dict[str, Any]:
    strings = "1 string" if bank.strings == 1 else f"{bank.strings} strings"
    words = (
        f"{strings} of {bank.blocks_per_string} blocks of {bank.cells_per_block} cells, "
        f"{bank.nominal_volts:g} V, {bank.rated_amp_hours:g} Ah at {bank.rated_hours:g} h, "
        f"{bank.type.value.replace('_', ' ')}"
    )
    return {
        "name": bank.name,
        "type": bank.type.value,
        "strings": bank.strings,
        "blocks": bank.blocks,
        "cells_in_series": bank.cells_in_series,
        "nominal_volts": bank.nominal_volts,
        "words": words,
    }


def _device(settings: SiteSettings, device: DeviceSettings) -> dict[str, Any]:
    zone = ZoneInfo(settings.site.timezone)
    channels = []
    for channel, series in zip(device.channels, series_of(settings)[device.name], strict=True):
        words = []
        for stage, scale in zip(channel.in_force(), series.scales, strict=True):
            low, high = (bound / FINE_PER_TRADE for bound in scale.valid)
            unit = series.channel.quantity.value
            words.append(_since(stage, zone) + formula(channel, stage))
            words.append(f"valid {low:g} to {high:g} {unit}; {_accuracy(scale.accuracy, unit)}")
        channels.append({"channel": channel.channel, "bank": series.bank, "place": series.place, "words": words})
    return {
        "name": device.name,
        "poll_seconds": device.poll_seconds,
        "connection": connection_words(device.connection),
        "channels": channels,
    }


def connection_words(connection: Connection) -> str:
    """How a device is reached."""
    if isinstance(connection, CsvFile):
        return f"file {connection.path}, times in column {connection.time_field}"
    if isinstance(connection, SerialLines):
        form = f"{connection.baud} baud, {connection.data_bits}{connection.parity}{connection.stop_bits}"
        return f"lines of text on {connection.port} ({form})"
    kind = "SunSpec" if isinstance(connection, SunspecTcp | SunspecSerial) else "Modbus"
    if hasattr(connection, "host"):
        return f"{kind} TCP {connection.host}:{connection.port}, device id {connection.device_id}"
    form = f"{connection.baud} baud, 8{connection.parity}{connection.stop_bits}"
    return f"{kind} RTU on {connection.port} ({form}), device id {connection.device_id}"


def formula(channel: ChannelSettings, stage: InForce) -> str:
    """How a raw number becomes the channel's value, in words: `input register 0 (int32) x 0.001 mV x 500 A / 50 mV`."""
    words = _raw(channel)
    if stage.scale != 1:
        words += f" x {stage.scale:g}"
    if stage.offset:
        words += f" {'-' if stage.offset < 0 else '+'} {abs(stage.offset):g}"
    words += f" {stage.unit}" if stage.scale != 1 or stage.offset else f" in {stage.unit}"
    if stage.shunt is not None:
        words += f" x {stage.shunt.rated_amps:g} A / {stage.shunt.rated_millivolts:g} mV"
    quantity = channel.parsed.quantity
    if quantity is Quantity.CELSIUS and stage.unit not in {"°C", "C"}:
        words += ", turned into °C"
    if quantity in _TWO_WAYS and channel.channel not in {"charged_amp_hours", "discharged_amp_hours"}:
        words += ", sign reversed" if stage.sign == "discharge_positive" else ", charge positive"
    return words


def _raw(channel: ChannelSettings) -> str:
    if channel.point is not None:
        return f"point {channel.point} (steps of {channel.count_size:g})"
    if channel.field is not None:
        return f'field "{channel.field}" (steps of {channel.count_size:g})'
    if channel.table in {"coil", "discrete"}:
        return f"{channel.table} {channel.address}"
    order = "" if channel.order == "ABCD" else f" {channel.order}"
    words = f"{channel.table} register {channel.address} ({channel.type}{order})"
    if channel.scale_address is not None:
        words += f" x 10^(register {channel.scale_address})"
    if not channel.is_integer:
        words += f" (steps of {channel.count_size:g})"
    return words


def _since(stage: InForce, zone: ZoneInfo) -> str:
    if stage.since is None:
        return ""
    because = f" ({stage.because})" if stage.because else ""
    return f"from {_local(stage.since, zone)} on{because}: "


def _local(instant: datetime, zone: ZoneInfo) -> str:
    return instant.astimezone(zone).isoformat(sep=" ", timespec="seconds")


def _accuracy(accuracy: Accuracy, unit: str) -> str:
    parts = []
    if accuracy.gain is not None:
        parts.append(f"{100 * accuracy.gain:g} % of reading")
    if accuracy.offset is not None:
        parts.append(f"{accuracy.offset:g} {unit} at zero")
    else:
        parts.append("error at zero not stated")
    if accuracy.noise is not None:
        parts.append(f"noise {accuracy.noise:g} {unit}")
    return "accuracy: " + ", ".join(parts) + f", step {accuracy.resolution:.3g} {unit}"
