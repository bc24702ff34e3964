"""loggerd probe against real Modbus TCP servers: what is shown of a device that answers, and of one that does not."""

from __future__ import annotations

import asyncio
import json
import sys
from pathlib import Path

import pytest
from cli_files import SITE
from pymodbus.simulator import DataType, SimData, SimDevice
from tcp_servers import simulated

DEVICES = """
[[device]]
name = "shunt"
bank = "house"

[device.connection]
kind = "modbus_tcp"
host = "127.0.0.1"
port = {port}
device_id = 7
timeout_seconds = 0.5

[[device.channel]]
channel = "volts"
table = "holding"
address = 0
type = "uint16"
scale = 0.01
unit = "V"

[[device.channel]]
channel = "amps"
table = "holding"
address = 1
type = "int16"
scale = 0.1
unit = "A"
sign = "discharge_positive"
valid = [-100, 100]

[[device.channel]]
channel = "ambient_celsius"
table = "holding"
address = 2
type = "int16"
scale = 0.1
unit = "°C"
not_a_value = [32768]

[[device]]
name = "taps"
bank = "house"

[device.connection]
kind = "modbus_tcp"
host = "127.0.0.1"
port = {dead}
timeout_seconds = 0.5

[[device.channel]]
channel = "block_1_volts"
table = "holding"
address = 0
type = "uint16"
unit = "V"
"""
REGISTERS = [4912, 2500, 0x8000]


def instrument() -> SimDevice:
    return SimDevice(7, [SimData(0, values=REGISTERS, datatype=DataType.REGISTERS)])


async def probe(*words: str | Path) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of the verb in a process of its own."""
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        *("-m", "loggerd", "probe", *map(str, words)),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    out, err = await process.communicate()
    assert process.returncode is not None
    return process.returncode, out.decode(), err.decode()


def site_at(folder: Path, port: int, dead: int) -> Path:
    path = folder / "site.toml"
    path.write_text(SITE + DEVICES.format(port=port, dead=dead), encoding="utf-8")
    return path


@pytest.fixture
async def dead_port() -> int:
    """A port where nobody listens any more."""
    server = await asyncio.start_server(lambda _reader, _writer: None, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    server.close()
    await server.wait_closed()
    assert isinstance(port, int)
    return port


async def test_every_channel_is_shown_with_raw_number_value_unit_and_marks(tmp_path: Path, dead_port: int) -> None:
    async with simulated([instrument()]) as port:
        code, out, err = await probe(site_at(tmp_path, port, dead_port), "--device", "shunt")

    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[0] == "shunt:"
    assert lines[1].split() == ["channel", "bank", "place", "raw", "value", "unit", "marks"]
    assert lines[2].split()[-4:] == ["4912", "49.120", "V", "-"]
    assert lines[3].split()[-7:] == ["2500", "-250.000", "A", "outside", "the", "valid", "range"]
    assert lines[4].split()[5:9] == ["no", "value", "-", "°C"]


async def test_a_device_that_does_not_answer_is_code_1_and_the_others_are_shown(tmp_path: Path, dead_port: int) -> None:
    async with simulated([instrument()]) as port:
        code, out, _ = await probe(site_at(tmp_path, port, dead_port))

    assert code == 1
    assert "49.120" in out
    assert f"taps: NO READING: no connection to 127.0.0.1:{dead_port}" in out


async def test_json_holds_the_same(tmp_path: Path, dead_port: int) -> None:
    async with simulated([instrument()]) as port:
        code, out, _ = await probe(site_at(tmp_path, port, dead_port), "--json")

    assert code == 1
    shunt, taps = json.loads(out)
    assert shunt["device"] == "shunt"
    volts, amps, celsius = shunt["channels"]
    assert (volts["channel"], volts["bank"], volts["raw"], volts["value"], volts["unit"], volts["marks"]) == (
        "volts",
        "house",
        4912,
        49.12,
        "V",
        [],
    )
    assert (amps["value"], amps["marks"]) == (-250, ["outside the valid range"])
    assert (celsius["raw"], celsius["value"]) == (None, None)
    assert taps["device"] == "taps"
    assert "error" in taps
    assert "channels" not in taps


async def test_a_site_without_wires_says_so(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(SITE, encoding="utf-8")

    assert await probe(path) == (0, "this site has no device that can be read on a wire\n", "")
