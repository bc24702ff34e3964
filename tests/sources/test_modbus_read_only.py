"""loggerd never writes to an instrument: seen from the instrument's side, and from the code."""

from __future__ import annotations

import ast
import asyncio
import re
from pathlib import Path

import pytest
import rtu_slave as wire
from pymodbus.simulator import DataType, SimData, SimDevice
from rtu_slave import RtuSlave
from tcp_servers import simulated
from until import until

import loggerd
from loggerd.clock import AcceleratedClock
from loggerd.decoding.registers import RegisterPlace
from loggerd.decoding.sunspec import SunSpecPlace
from loggerd.sources.base import Sink
from loggerd.sources.modbus import ModbusDevice, ModbusLine, TcpConnection
from loggerd.sources.rtu_port import RtuConnection
from loggerd.sources.sunspec import SunSpecDevice
from loggerd.sources.wire import FUNCTIONS

SOURCE = Path(loggerd.__file__).parent
PLACES = tuple(RegisterPlace(table, 0) for table in ("coil", "discrete", "holding", "input"))
DEVICES = (ModbusDevice("shunt", 1, 1_000, PLACES), SunSpecDevice("battery", 2, 1_000, (SunSpecPlace("V", 0.01),)))
READING = {1, 2, 3, 4}


async def run_until_read(line: ModbusLine, scans: int) -> None:
    running = asyncio.create_task(line.run(Sink(lambda _scan: None, lambda _event: None)))
    await until(lambda: min(health.scans + health.refused for health in line.health.values()) >= scans)
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running


async def test_a_tcp_server_sees_only_reading_functions() -> None:
    functions: list[int] = []

    def record(sending: bool, data: bytes) -> bytes:
        if not sending:
            functions.append(data[7])
        return data

    sunspec = [0x5375, 0x6E53, 802, 62, *[0] * 62, 0xFFFF, 0]
    bits = [SimData(0, values=[True] * 16, datatype=DataType.BITS)]
    words = [SimData(0, count=10, datatype=DataType.REGISTERS)]
    devices = [
        SimDevice(1, (bits, bits, words, words)),
        SimDevice(2, [SimData(40000, values=sunspec, datatype=DataType.REGISTERS)]),
    ]
    async with simulated(devices, record) as port:
        line = ModbusLine(TcpConnection("127.0.0.1", port, 200), DEVICES, AcceleratedClock(0, 50))
        await run_until_read(line, 5)
    assert set(functions) == READING


async def test_rtu_devices_see_only_reading_functions() -> None:
    def sometimes_wrong(asked: wire.Asked) -> wire.Fault | None:
        return (None, None, wire.exception, wire.silence, wire.bad_checksum)[asked.number % 5]

    slave = RtuSlave((1, 2), sometimes_wrong)
    line = ModbusLine(RtuConnection(slave.path, 115200, "N", 1, 30, 30), DEVICES, AcceleratedClock(0, 50))
    await run_until_read(line, 2)
    slave.unplug()
    assert {asked.function for asked in slave.asked} == READING


def test_there_are_no_other_function_codes() -> None:
    assert set(FUNCTIONS.values()) == READING


def test_no_code_uses_a_writing_call_and_one_module_alone_uses_the_library() -> None:
    # Every call and message of the library that is not a reading one, by name.
    writing = re.compile(
        r"write_(coil|register)|(Write|Mask|ReadWrite)\w*(Request|Response)|readwrite|mask_write|write_file"
    )
    users = set()
    for path in SOURCE.rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        assert not writing.search(text), path
        for node in ast.walk(ast.parse(text)):
            modules = (
                [alias.name for alias in node.names]
                if isinstance(node, ast.Import)
                else [node.module or ""]
                if isinstance(node, ast.ImportFrom)
                else []
            )
            if any(module.split(".")[0] == "pymodbus" for module in modules):
                users.add(path.relative_to(SOURCE).as_posix())
    assert users == {"sources/modbus_library.py"}


def test_the_library_module_calls_nothing_of_a_client_but_reading() -> None:
    tree = ast.parse((SOURCE / "sources" / "modbus_library.py").read_text(encoding="utf-8"))
    used = {
        node.attr
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "client"
    }
    reading = {"read_holding_registers", "read_input_registers", "read_coils", "read_discrete_inputs"}
    assert reading <= used
    assert used - reading == {"connect", "connected", "close", "ctx"}
