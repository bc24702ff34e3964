"""Devices, the lines they share, and the form of the text they print."""

from __future__ import annotations

import difflib
import warnings
from collections.abc import Iterator

from loggerd.decoding.text_lines import LineFormat
from loggerd.settings.checks.banks import same_names
from loggerd.settings.connection import ModbusRtu, SerialConnection, SerialLines, SunspecSerial
from loggerd.settings.draft import Draft, DraftDevice
from loggerd.settings.faults import Fault, show

_PORT_KEYS = ("baud", "parity", "stop_bits", "data_bits")


def check_device_names(draft: Draft) -> Iterator[Fault]:
    """No two devices of one name; maps where something is left out of them."""
    yield from same_names(draft.raw, "device")
    for device in draft.devices:
        if device.raw.get("leave_out") and "map" not in device.raw:
            yield Fault((*device.path, "leave_out"), "a list, but no map", "leave_out only beside a map")


def check_times(draft: Draft) -> Iterator[Fault]:
    """A late answer cannot come before the time has run out."""
    for device in draft.devices:
        match device.connection:
            case ModbusRtu() | SunspecSerial() as connection if connection.quiet_seconds < connection.timeout_seconds:
                yield Fault(
                    (*device.path, "connection", "quiet_seconds"),
                    f"{connection.quiet_seconds:g}",
                    f"no less than timeout_seconds ({connection.timeout_seconds:g})",
                    other=(*device.path, "connection", "timeout_seconds"),
                )
            case _:
                pass


def check_sharing(draft: Draft) -> Iterator[Fault]:
    """Devices on one serial port speak the same protocol at the same rate; a port has one printing device."""
    first: dict[str, tuple[DraftDevice, SerialConnection]] = {}
    for device in draft.devices:
        match device.connection:
            case ModbusRtu() | SunspecSerial() | SerialLines() as connection:
                other_device, other = first.setdefault(connection.line, (device, connection))
                if other_device is not device:
                    yield from _against(device, connection, other_device, other)
            case _:
                pass


def _against(
    device: DraftDevice, connection: SerialConnection, other_device: DraftDevice, other: SerialConnection
) -> Iterator[Fault]:
    at, other_at = (*device.path, "connection"), (*other_device.path, "connection")
    if isinstance(connection, SerialLines) or isinstance(other, SerialLines):
        found = f"{show(connection.port)}, which another device has"
        yield Fault((*at, "port"), found, "a port of its own for a device that prints lines", other=(*other_at, "port"))
        return
    for key in _PORT_KEYS:
        value, other_value = getattr(connection, key, None), getattr(other, key, None)
        if value != other_value:
            expected = f"{show(other_value)}, as the other device on port {connection.port} has it"
            yield Fault((*at, key), show(value), expected, other=(*other_at, key))


def check_line_formats(draft: Draft) -> Iterator[Fault]:
    """The form of the lines is complete, and has the fields that channels take from it."""
    for device in draft.devices:
        path = (*device.path, "lines")
        if device.connection is None:
            continue
        if not isinstance(device.connection, SerialLines):
            if "lines" in device.raw:
                yield Fault(path, "a table", "no such table: only devices of kind serial_lines have one")
        elif "lines" not in device.raw:
            yield Fault(path, "nothing", "the table [device.lines] with pattern, delimiter or key_value")
        elif device.lines is not None:
            yield from _format(device)


def _format(device: DraftDevice) -> Iterator[Fault]:
    path = (*device.path, "lines")
    try:
        line_format = _checked_format(device)
    except (ValueError, Warning) as error:
        key = (*path, "pattern") if device.lines and device.lines.pattern is not None else path
        yield Fault(key, "a description that cannot be used", str(error))
        return
    names = line_format.names()
    if names is None:
        return
    known = [name for name in names if name]
    for channel in device.channels:
        field = channel.settings.field
        if field is not None and field not in known:
            near = difflib.get_close_matches(field, known, 1, 0.5)
            hint = f'; did you mean "{near[0]}"?' if near else ""
            expected = f"a field of the line: {', '.join(known)}{hint}"
            yield Fault((*channel.path, "field"), show(field), expected, other=path)


def _checked_format(device: DraftDevice) -> LineFormat:
    assert device.lines is not None
    with warnings.catch_warnings():
        # What Python only warns of today ("possible nested set") is a slip in a pattern.
        warnings.simplefilter("error")
        return device.lines.to_format()
