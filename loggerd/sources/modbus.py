"""Modbus devices, over TCP or on a serial line (RTU): read only, function codes 1 to 4.

Devices of one serial port, or of one host and port (a gateway), share a line and are read in turn; SunSpec
devices among them too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from loggerd.clock import Clock
from loggerd.decoding.registers import RegisterPlace, Table, decode_scan, plan_reads
from loggerd.errors import Refused
from loggerd.sources.modbus_library import TcpWire
from loggerd.sources.polling import PollingLine, Reading
from loggerd.sources.rtu_gate import RtuWire
from loggerd.sources.rtu_port import RtuConnection
from loggerd.sources.sunspec import SunSpecDevice, SunSpecReader
from loggerd.sources.wire import ExceptionAnswer, Request, Wire


@dataclass(frozen=True)
class TcpConnection:
    """A host (device or gateway) with Modbus TCP. `timeout_ms` serves connecting and answers."""

    host: str
    port: int = 502
    timeout_ms: int = 1000


@dataclass(frozen=True)
class ModbusDevice:
    """A device whose registers are described place by place, in the order of the device's series."""

    name: str
    device_id: int
    poll_ms: int
    places: tuple[RegisterPlace, ...]


class ModbusLine(PollingLine):
    """All Modbus and SunSpec devices of one connection."""

    def __init__(
        self,
        connection: TcpConnection | RtuConnection,
        devices: Sequence[ModbusDevice | SunSpecDevice],
        clock: Clock,
    ) -> None:
        """Nothing is opened here. Names and device ids are taken as they are; the settings have checked them."""
        wire: Wire
        if isinstance(connection, TcpConnection):
            wire = TcpWire(connection.host, connection.port, connection.timeout_ms)
        else:
            wire = RtuWire(connection)
        periods_ms = {device.name: device.poll_ms for device in devices}
        super().__init__(clock, periods_ms, _LineReader(wire, devices))


class RegisterReader:
    """Reads one device's registers, in as few requests as hold them."""

    def __init__(self, device: ModbusDevice, wire: Wire) -> None:
        self._device = device
        self._wire = wire
        self._reads = plan_reads(device.places)

    async def read(self) -> Reading:
        """One scan. Raises InstrumentError.

        Registers that the device says it does not have leave their channels without a value, as long as it
        has others.
        """
        tables: dict[Table, dict[int, int]] = {}
        refusals: list[Refused] = []
        for read in self._reads:
            request = Request(self._device.name, self._device.device_id, read.table, read.address, read.count)
            answer = await self._wire.read(request)
            if not isinstance(answer, ExceptionAnswer):
                tables.setdefault(read.table, {}).update(enumerate(answer, read.address))
            elif answer.concerns_registers:
                refusals.append(answer.refusal(request))
            else:
                raise answer.refusal(request)
        if refusals and not tables:
            raise refusals[0]
        refused = "; ".join(refusal.what for refusal in refusals)
        return Reading(decode_scan(self._device.places, tables), refused)


class _DeviceReader(Protocol):
    async def read(self) -> Reading: ...


class _LineReader:
    """The devices of a line behind their one wire; a `polling.Reader`."""

    def __init__(self, wire: Wire, devices: Sequence[ModbusDevice | SunSpecDevice]) -> None:
        self._wire = wire
        self._readers = {device.name: _reader(device, wire) for device in devices}

    async def read(self, device: str) -> Reading:
        return await self._readers[device].read()

    async def settle(self) -> None:
        await self._wire.settle()

    async def close(self) -> None:
        await self._wire.close()


def _reader(device: ModbusDevice | SunSpecDevice, wire: Wire) -> _DeviceReader:
    if isinstance(device, SunSpecDevice):
        return SunSpecReader(device, wire)
    return RegisterReader(device, wire)
