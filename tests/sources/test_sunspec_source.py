from __future__ import annotations

import asyncio

import pytest
import rtu_slave as wire
from pymodbus.simulator import DataType, SimData, SimDevice
from rtu_slave import RtuSlave
from tcp_servers import ScriptedTcpServer, frame, simulated

from loggerd.clock import SystemClock
from loggerd.decoding.registers import RegisterPlace
from loggerd.decoding.sunspec import SunSpecPlace
from loggerd.errors import Garbled, Refused, Silent
from loggerd.model.channels import MISSING
from loggerd.model.scan import Scan
from loggerd.sources.modbus import ModbusDevice, ModbusLine, TcpConnection
from loggerd.sources.rtu_port import RtuConnection
from loggerd.sources.sunspec import SunSpecDevice

PLACES = (SunSpecPlace("A", 0.1), SunSpecPlace("V", 0.01), SunSpecPlace("SoC", 0.1), SunSpecPlace("CellVMin", 0.001))
VALUES = (-125, 5230, 873, MISSING)


def battery(volts: int = 5230) -> list[int]:
    """802 with V = 5230 x 10^-2, A = -125 x 10^-1, SoC = 873 x 10^-1, everything else not implemented."""
    model = [802, 62] + [0xFFFF] * 62
    model[52:64] = [0x8000] * 12
    model[11], model[56] = 873, 0xFFFF
    model[34], model[59] = volts, 0xFFFE
    model[44], model[61] = 0xFF83, 0xFFFF
    return model


def chain(*models: list[int]) -> list[int]:
    common = [1, 66] + [0x2020] * 66
    return [0x5375, 0x6E53, *common, *(word for model in models for word in model), 0xFFFF, 0]


class Registers:
    """A Modbus TCP device with holding registers at given places; others are refused."""

    def __init__(self, base: int, words: list[int]) -> None:
        self.words = dict(enumerate(words, base))
        self.reads: list[tuple[int, int]] = []
        self.silent_at: set[int] = set()

    async def respond(self, request: bytes, writer: asyncio.StreamWriter) -> None:
        address, count = int.from_bytes(request[8:10], "big"), int.from_bytes(request[10:12], "big")
        self.reads.append((address, count))
        if address in self.silent_at:
            return
        wanted = range(address, address + count)
        if request[7] != 3 or not all(a in self.words for a in wanted):
            writer.write(frame(request[:2], request[6], bytes((request[7] | 0x80, 2))))
            return
        data = b"".join(self.words[a].to_bytes(2, "big") for a in wanted)
        writer.write(frame(request[:2], request[6], bytes((3, len(data))) + data))


def line_to(port: int) -> ModbusLine:
    device = SunSpecDevice("battery", 1, 1_000, PLACES)
    return ModbusLine(TcpConnection("127.0.0.1", port, 100), [device], SystemClock())


@pytest.mark.parametrize("base", [0, 40000, 50000])
async def test_found_at_each_base_once_and_then_read_in_one_request(base: int) -> None:
    inverter = [103, 50] + [0x7777] * 50
    device = Registers(base, chain(inverter, battery()))
    async with ScriptedTcpServer(device.respond) as server:
        line = line_to(server.port)
        assert await line.read_once("battery") == Scan("battery", VALUES)
        address = base + 2 + 68 + 52
        assert device.reads[-1] == (address, 64)
        searched = len(device.reads)
        assert await line.read_once("battery") == Scan("battery", VALUES)
        assert device.reads[searched:] == [(address, 64)]
        await server.hang_up()
        await asyncio.sleep(0.02)
        device.reads.clear()
        assert await line.read_once("battery") == Scan("battery", VALUES)
        await line.read_once("battery")
        assert (base, 2) in device.reads, "after a reconnect it is looked for again"
        await line.close()


async def test_a_model_that_has_moved_is_refused_and_found_again() -> None:
    device = Registers(40000, chain(battery()))
    async with ScriptedTcpServer(device.respond) as server:
        line = line_to(server.port)
        await line.read_once("battery")
        device.words = dict(enumerate(chain([120, 26] + [0] * 26, battery(volts=5000)), 40000))
        with pytest.raises(Garbled, match="no longer at register 40070"):
            await line.read_once("battery")
        assert (await line.read_once("battery")).counts[1] == 5000
        await line.close()


async def test_no_sunspec_device_and_no_battery() -> None:
    for words, message in (
        ([1, 2, 3], "no SunSpec marker"),
        (chain([103, 50] + [0] * 50), "without the battery base model .*its models: 1, 103"),
    ):
        async with ScriptedTcpServer(Registers(40000, words).respond) as server:
            line = line_to(server.port)
            with pytest.raises(Refused, match=message):
                await line.read_once("battery")
            await line.close()


async def test_a_chain_without_end_is_told() -> None:
    words = [0x5375, 0x6E53] + [7, 0] * 2_000
    async with ScriptedTcpServer(Registers(0, words).respond) as server:
        line = line_to(server.port)
        with pytest.raises(Garbled, match="no end"):
            await line.read_once("battery")
        await line.close()


async def test_a_device_that_does_not_answer_for_registers_it_lacks_is_found_in_the_end() -> None:
    device = Registers(40000, chain(battery()))
    device.silent_at = {0}
    async with ScriptedTcpServer(device.respond) as server:
        line = line_to(server.port)
        with pytest.raises(Silent):
            await line.read_once("battery")
        assert await line.read_once("battery") == Scan("battery", VALUES)
        await line.close()


async def test_with_the_librarys_own_server() -> None:
    registers = SimData(40000, values=chain(battery()), datatype=DataType.REGISTERS)
    async with simulated([SimDevice(1, [registers])]) as port:
        line = line_to(port)
        assert await line.read_once("battery") == Scan("battery", VALUES)
        await line.close()


async def test_on_a_serial_line_together_with_other_devices() -> None:
    words = dict(enumerate(chain(battery()), 40000))

    def refuse_what_is_not_there(asked: wire.Asked) -> wire.Fault | None:
        if asked.device_id == 2 or asked.address in words:
            return None
        refusal = wire.closed(bytes((asked.device_id, asked.function | 0x80, 2)))
        return lambda _asked, _right, _random: [(0, refusal)]

    slave = RtuSlave((1, 2), refuse_what_is_not_there, word=lambda _asked, address: words.get(address, 77))
    line = ModbusLine(
        RtuConnection(slave.path, 115200, "N", 1, 60, 60),
        [SunSpecDevice("battery", 1, 1_000, PLACES), ModbusDevice("shunt", 2, 1_000, (RegisterPlace("input", 9),))],
        SystemClock(),
    )
    assert await line.read_once("battery") == Scan("battery", VALUES)
    assert await line.read_once("shunt") == Scan("shunt", (77,))
    assert await line.read_once("battery") == Scan("battery", VALUES)
    await line.close()
    slave.unplug()
