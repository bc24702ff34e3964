"""Register instruments behind one real Modbus TCP server, each with its own device id."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from simulators.instruments.instrument import Instrument, RegisterInstrument
from simulators.instruments.sunspec_battery import SunSpecBattery
from simulators.instruments.wire import Readable

_DEVICE_ID_AT = 6
"""Place of the device id in a Modbus TCP frame."""

_Action = Callable[
    [int, int, int, int, list[int], list[int] | list[bool] | None], Coroutine[None, None, ExcCodes | None]
]


class ModbusTcpWire:
    """Serves on `host`; port 0 takes a free one. Registers are measured anew for every request."""

    def __init__(self, instruments: tuple[RegisterInstrument, ...], host: str = "127.0.0.1", port: int = 0) -> None:
        self._instruments = instruments
        self._host = host
        self._port = port
        self._server: ModbusTcpServer | None = None
        self._site: Readable | None = None
        self.requests: list[tuple[int, int, int, int]] = []
        """The last requests as (device id, function code, address, count): proof of what a client does."""

    @property
    def instruments(self) -> tuple[Instrument, ...]:
        return self._instruments

    async def start(self, site: Readable) -> None:
        """Raises RuntimeError if the port is taken."""
        self._site = site
        devices = [self._device(instrument) for instrument in self._instruments]
        self._server = ModbusTcpServer(devices, address=(self._host, self._port), trace_packet=self._silence_the_dead)
        await self._server.serve_forever(background=True)
        listening = self._server.transport
        assert isinstance(listening, asyncio.Server)
        self._port = listening.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        """The port keeps its number for the next start."""
        if self._server is not None:
            await self._server.shutdown()  # type: ignore[no-untyped-call]
            self._server = None

    @property
    def host_and_port(self) -> tuple[str, int]:
        if self._port == 0:
            raise RuntimeError("the server has not been started")
        return self._host, self._port

    @property
    def address(self) -> str:
        host, port = self.host_and_port
        return f"Modbus TCP at {host}:{port}"

    def connection(self, instrument: Instrument) -> dict[str, Any]:
        """See Wire."""
        assert isinstance(instrument, RegisterInstrument)
        host, port = self.host_and_port
        kind = "sunspec" if isinstance(instrument, SunSpecBattery) else "modbus_tcp"
        return {"kind": kind, "host": host, "port": port, "device_id": instrument.device_id}

    def _device(self, instrument: RegisterInstrument) -> SimDevice:
        registers = SimData(
            instrument.first, values=[0] * instrument.length, datatype=DataType.REGISTERS, readonly=True
        )
        return SimDevice(instrument.device_id, [registers], action=self._reader(instrument))

    def _reader(self, instrument: RegisterInstrument) -> _Action:
        async def read(
            function: int, _start: int, address: int, count: int, registers: list[int], _written: object
        ) -> ExcCodes | None:
            assert self._site is not None
            self._note(instrument.device_id, function, address, count)
            registers[: instrument.length] = instrument.registers(self._site.truth(instrument.bank))
            return None

        return read

    def _note(self, device_id: int, function: int, address: int, count: int) -> None:
        self.requests.append((device_id, function, address, count))
        del self.requests[:-10_000]

    def _silence_the_dead(self, sending: bool, data: bytes) -> bytes:
        """The library has no silent device; an answer that is emptied on its way out is one."""
        if not sending or len(data) <= _DEVICE_ID_AT or self._site is None:
            return data
        for instrument in self._instruments:
            if instrument.device_id == data[_DEVICE_ID_AT]:
                return b"" if instrument.dead(self._site.truth(instrument.bank).seconds)[0] else data
        return b""
