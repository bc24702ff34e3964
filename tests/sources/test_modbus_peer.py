"""A Modbus client that nobody here wrote (mbpoll, on libmodbus) and loggerd read the same values from one
server.
"""

from __future__ import annotations

import asyncio
import os
import re
import shutil

import pytest
from pymodbus.simulator import DataType, SimData, SimDevice
from rtu_slave import RtuSlave
from tcp_servers import simulated

from loggerd.clock import SystemClock
from loggerd.decoding.registers import RegisterPlace
from loggerd.sources.modbus import ModbusDevice, ModbusLine, TcpConnection
from loggerd.sources.rtu_port import RtuConnection

if shutil.which("mbpoll") is None and not os.environ.get("CI"):
    pytest.skip("mbpoll is not installed (apt install mbpoll): no peer to compare with", allow_module_level=True)

WORDS = [0, 1, 32767, 32768, 65535, 5230, 65411, 300, 0x47F1, 0x2000]


async def mbpoll(*arguments: str) -> dict[int, float]:
    """What mbpoll prints: PDU address to value (unsigned where it prints both)."""
    process = await asyncio.create_subprocess_exec(
        "mbpoll", "-0", "-1", *arguments, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE
    )
    out, err = await process.communicate()
    assert process.returncode == 0, (out + err).decode()
    found = re.findall(r"^\[(\d+)\]:\s+(\S+)", out.decode(), re.MULTILINE)
    return {int(address): float(value) for address, value in found}


def words_of(table: str, first: int) -> tuple[RegisterPlace, ...]:
    return tuple(RegisterPlace(table, first + i) for i in range(10))  # type: ignore[arg-type]


async def test_tcp() -> None:
    bits = [SimData(0, values=[True, False, False, True] * 4, datatype=DataType.BITS)]
    floats = [-12.5, 123456.0, 0.1]
    device = SimDevice(
        3,
        (
            bits,
            bits,
            [SimData(10, values=WORDS, datatype=DataType.REGISTERS)],
            [SimData(0, values=floats, datatype=DataType.FLOAT32)],
        ),
    )
    places = (
        *words_of("holding", 10),
        *(RegisterPlace("input", 2 * i, "float32", resolution=0.001) for i in range(3)),
        *(RegisterPlace("coil", i) for i in range(8)),
    )
    async with simulated([device]) as port:
        line = ModbusLine(TcpConnection("127.0.0.1", port), [ModbusDevice("d", 3, 1_000, places)], SystemClock())
        ours = (await line.read_once("d")).counts
        await line.close()
        to_server = ("-m", "tcp", "-p", str(port), "-a", "3", "127.0.0.1")
        holding = await mbpoll("-t", "4", "-r", "10", "-c", "10", *to_server)
        inputs = await mbpoll("-t", "3:float", "-B", "-r", "0", "-c", "3", *to_server)
        coils = await mbpoll("-t", "0", "-r", "0", "-c", "8", *to_server)
    assert ours[:10] == tuple(int(holding[10 + i]) for i in range(10)) == tuple(WORDS)
    assert ours[10:13] == tuple(round(inputs[2 * i] / 0.001) for i in range(3))
    assert ours[13:] == tuple(int(coils[i]) for i in range(8))


async def test_rtu() -> None:
    slave = RtuSlave((5,), word=lambda asked, address: (address * 6007 + asked.function) & 0xFFFF)
    places = (*words_of("holding", 20), *words_of("input", 20))
    line = ModbusLine(
        RtuConnection(slave.path, 9600, "N", 1, 500, 200), [ModbusDevice("d", 5, 1_000, places)], SystemClock()
    )
    ours = (await line.read_once("d")).counts
    await line.close()
    on_line = ("-m", "rtu", "-b", "9600", "-P", "none", "-a", "5", slave.path)
    holding = await mbpoll("-t", "4", "-r", "20", "-c", "10", *on_line)
    inputs = await mbpoll("-t", "3", "-r", "20", "-c", "10", *on_line)
    slave.unplug()
    assert ours[:10] == tuple(int(holding[20 + i]) for i in range(10))
    assert ours[10:] == tuple(int(inputs[20 + i]) for i in range(10))
    assert ours[0] == (20 * 6007 + 3) & 0xFFFF
    assert {asked.function for asked in slave.asked} == {3, 4}
