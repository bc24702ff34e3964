"""THE place where things are put together: settings to lines, record, folds and the service."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from loggerd.clock import Clock
from loggerd.decoding.registers import RegisterPlace
from loggerd.decoding.sunspec import SunSpecPlace
from loggerd.decoding.text_lines import LineField
from loggerd.service import Service
from loggerd.settings.channel import ChannelSettings
from loggerd.settings.connection import CsvFile, ModbusRtu, ModbusTcp, SerialLines, SunspecSerial, SunspecTcp
from loggerd.settings.device import DeviceSettings
from loggerd.settings.site import SiteSettings
from loggerd.sources.base import Line
from loggerd.sources.modbus import ModbusDevice, ModbusLine, TcpConnection
from loggerd.sources.rtu_port import RtuConnection
from loggerd.sources.serial_lines import PrintingDevice, SerialLinesLine, SerialPort
from loggerd.sources.sunspec import SunSpecDevice

if TYPE_CHECKING:
    from loggerd.outputs.web.server import PagesServer

LineBuilder: TypeAlias = Callable[[list[DeviceSettings], Clock], Line]


def build_lines(settings: SiteSettings, clock: Clock, only: str | None = None) -> list[Line]:
    """One line for each wire; devices that share a wire are on one line. Nothing is opened yet.

    `only`: the name of the one device wanted. Devices whose readings come from files have no line.
    """
    wires: dict[str, list[DeviceSettings]] = {}
    for device in settings.devices:
        if device.connection.kind in SOURCES and only in (None, device.name):
            wires.setdefault(device.connection.line, []).append(device)
    return [SOURCES[devices[0].connection.kind](devices, clock) for devices in wires.values()]


def build_service(settings: SiteSettings, clock: Clock, announce: Callable[[str], None] | None = None) -> Service:
    """The service of a site. `announce` is told of every commit once it is in the record."""
    return Service(settings, Path(settings.record.path), clock, build_lines(settings, clock), announce)


def build_pages(settings: SiteSettings, clock: Clock) -> PagesServer:
    """The pages of a site, and its interface for programs. Raises StoreError."""
    # The service does without them, and its memory too.
    from loggerd.access.doors import Access
    from loggerd.outputs.web.access_routes import access_routes
    from loggerd.outputs.web.application import Application
    from loggerd.outputs.web.keeping import Keeper
    from loggerd.outputs.web.routes import ROUTES, STREAMS
    from loggerd.outputs.web.server import PagesServer

    access = Access.of(settings, clock)
    routes = (*ROUTES, *access_routes(access))
    return PagesServer(Application(settings, clock, Keeper(access, settings.web), routes, STREAMS))


def _modbus_line(devices: list[DeviceSettings], clock: Clock) -> Line:
    tcp = [one.connection for one in devices if isinstance(one.connection, ModbusTcp | SunspecTcp)]
    serial = [one.connection for one in devices if isinstance(one.connection, ModbusRtu | SunspecSerial)]
    connection: TcpConnection | RtuConnection
    if tcp:
        connection = TcpConnection(tcp[0].host, tcp[0].port, _longest(one.timeout_seconds for one in tcp))
    else:
        connection = RtuConnection(
            port=serial[0].port,
            baud=serial[0].baud,
            parity=serial[0].parity,
            stop_bits=serial[0].stop_bits,
            timeout_ms=_longest(one.timeout_seconds for one in serial),
            quiet_ms=_longest(one.quiet_seconds for one in serial),
        )
    return ModbusLine(connection, [_modbus_device(device) for device in devices], clock)


def _longest(seconds: Iterable[float]) -> int:
    return round(max(seconds) * 1000)


def _modbus_device(device: DeviceSettings) -> ModbusDevice | SunSpecDevice:
    poll_ms = round(device.poll_seconds * 1000)
    assert not isinstance(device.connection, SerialLines | CsvFile)
    device_id = device.connection.device_id
    if device.connection.kind == "sunspec":
        points = tuple(SunSpecPlace(channel.point or "", channel.count_size) for channel in device.channels)
        return SunSpecDevice(device.name, device_id, poll_ms, points)
    return ModbusDevice(device.name, device_id, poll_ms, tuple(_register_place(one) for one in device.channels))


def _register_place(channel: ChannelSettings) -> RegisterPlace:
    assert channel.table is not None
    assert channel.address is not None
    return RegisterPlace(
        table=channel.table,
        address=channel.address,
        type=channel.type or "uint16",
        order=channel.order,
        scale_address=channel.scale_address,
        not_a_value=channel.no_value_counts,
        resolution=channel.count_size,
    )


def _serial_line(devices: list[DeviceSettings], clock: Clock) -> Line:
    connection = devices[0].connection
    assert isinstance(connection, SerialLines)
    port = SerialPort(connection.port, connection.baud, connection.parity, connection.stop_bits, connection.data_bits)
    return SerialLinesLine(_printing_device(devices[0]), port, clock)


def _printing_device(device: DeviceSettings) -> PrintingDevice:
    assert device.lines is not None
    fields = tuple(LineField(channel.field or "", channel.count_size) for channel in device.channels)
    return PrintingDevice(device.name, device.lines.to_format(), fields, device.poll_seconds)


def described_device(device: DeviceSettings) -> ModbusDevice | SunSpecDevice | PrintingDevice:
    """A device as its source knows it. For devices on a wire."""
    return _printing_device(device) if device.connection.kind == "serial_lines" else _modbus_device(device)


SOURCES: dict[str, LineBuilder] = {
    "modbus_tcp": _modbus_line,
    "modbus_rtu": _modbus_line,
    "sunspec": _modbus_line,
    "serial_lines": _serial_line,
}
"""Kind of connection in the settings: what makes a line of it. Kind "csv" is read by `loggerd import`."""
