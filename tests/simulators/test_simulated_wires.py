from __future__ import annotations

import asyncio
import os
import shutil
import sys
import tomllib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest
import serial
from pymodbus import FramerType
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.exceptions import ModbusIOException

from loggerd.clock import AcceleratedClock
from simulators.faults import Fault, SensorFault
from simulators.instruments.crc import with_crc
from simulators.instruments.instrument import Mount
from simulators.instruments.line_printer import WeatherStation
from simulators.instruments.modbus_rtu import ModbusRtuWire, WireFaults
from simulators.instruments.modbus_tcp import ModbusTcpWire
from simulators.instruments.serial_text import SerialTextWire
from simulators.scenarios import SCENARIOS, Scenario
from simulators.settings_text import settings_text
from simulators.site import SimulatedSite

START_MS = int(datetime(2026, 3, 3, 12, tzinfo=UTC).timestamp() * 1000)


@asynccontextmanager
async def live(name: str, faults: tuple[Fault, ...] = (), speed: float = 1.0) -> AsyncIterator[SimulatedSite]:
    site = SimulatedSite(SCENARIOS[name](0), 1, faults, START_MS)
    await site.start(AcceleratedClock(START_MS, speed))
    try:
        yield site
    finally:
        await site.stop()


def tcp_wire(scenario: Scenario) -> ModbusTcpWire:
    return next(wire for wire in scenario.wires if isinstance(wire, ModbusTcpWire))


def rtu_wire(scenario: Scenario) -> ModbusRtuWire:
    return next(wire for wire in scenario.wires if isinstance(wire, ModbusRtuWire))


@asynccontextmanager
async def tcp_client(wire: ModbusTcpWire) -> AsyncIterator[AsyncModbusTcpClient]:
    host, port = wire.host_and_port
    client = AsyncModbusTcpClient(host, port=port, retries=0, timeout=0.5, reconnect_delay=0)
    assert await client.connect()
    try:
        yield client
    finally:
        client.close()


@asynccontextmanager
async def rtu_client(wire: ModbusRtuWire, patience: float = 0.5) -> AsyncIterator[AsyncModbusSerialClient]:
    client = AsyncModbusSerialClient(
        wire.path, framer=FramerType.RTU, baudrate=9600, retries=0, timeout=patience, reconnect_delay=0
    )
    assert await client.connect()
    try:
        yield client
    finally:
        client.close()


async def test_shunt_monitor_answers_a_modbus_tcp_client() -> None:
    async with live("cabin") as site, tcp_client(tcp_wire(site.scenario)) as client:
        answer = await client.read_holding_registers(100, count=7, device_id=1)
        assert not answer.isError()
        truth = site.truth("house")
        volts, milliamps = answer.registers[0] / 100.0, answer.registers[1] << 16 | answer.registers[2]
        amps = (milliamps - 2**32 if milliamps >= 2**31 else milliamps) / 1000.0
        assert volts == pytest.approx(float(truth.volts[0]), abs=0.3)
        assert amps == pytest.approx(float(truth.amps[0]), abs=0.5)
        assert (await client.read_input_registers(100, count=1, device_id=1)).isError() is False
        beyond = await client.read_holding_registers(106, count=2, device_id=1)
        assert beyond.exception_code == 2
        assert tcp_wire(site.scenario).requests[0] == (1, 3, 100, 7)


async def test_registers_cannot_be_written() -> None:
    async with live("cabin") as site, tcp_client(tcp_wire(site.scenario)) as client:
        assert (await client.write_register(100, 1, device_id=1)).isError()


async def test_several_device_ids_behind_one_server() -> None:
    async with live("golf") as site, tcp_client(tcp_wire(site.scenario)) as client:
        for number in (1, 2, 3):
            answer = await client.read_holding_registers(100, count=1, device_id=number)
            expected = float(site.truth(f"cart_{number}").volts[0])
            assert answer.registers[0] / 100.0 == pytest.approx(expected, abs=0.3)


async def test_dead_and_absent_devices_are_silent_on_tcp() -> None:
    dead = SensorFault("dead_device", "shunt_2", 0.0)
    async with live("golf", (dead,)) as site, tcp_client(tcp_wire(site.scenario)) as client:
        for device_id in (2, 9):
            with pytest.raises(ModbusIOException):
                await client.read_holding_registers(100, count=1, device_id=device_id)
        assert not (await client.read_holding_registers(100, count=1, device_id=1)).isError()


async def test_sunspec_is_found_by_its_marker() -> None:
    async with live("forklift") as site, tcp_client(tcp_wire(site.scenario)) as client:
        marker = await client.read_holding_registers(40000, count=4, device_id=1)
        assert marker.registers == [0x5375, 0x6E53, 1, 66]
        model = await client.read_holding_registers(40000 + 4 + 66, count=64, device_id=1)
        assert model.registers[:2] == [802, 62]
        volts = model.registers[34] / 100.0
        assert volts == pytest.approx(float(site.truth("truck").volts[0]), abs=4.0)
        assert (await client.read_holding_registers(0, count=2, device_id=1)).isError()


async def test_tap_logger_answers_a_modbus_rtu_client() -> None:
    async with live("cabin") as site, rtu_client(rtu_wire(site.scenario)) as client:
        answer = await client.read_holding_registers(0, count=8, device_id=11)
        expected = site.truth("house").block_volts[0]
        assert [register / 1000.0 for register in answer.registers] == pytest.approx(list(expected), abs=0.05)
        warm = await client.read_input_registers(100, count=8, device_id=11)
        assert [register / 10.0 for register in warm.registers] == pytest.approx(
            list(site.truth("house").block_celsius[0]), abs=1.0
        )
        assert (await client.read_holding_registers(107, count=2, device_id=11)).exception_code == 2
        assert (await client.write_register(0, 1, device_id=11)).exception_code == 1


async def test_several_device_ids_on_one_serial_line_and_silence_of_others() -> None:
    dead = SensorFault("dead_device", "taps_3", 0.0)
    async with live("golf", (dead,)) as site, rtu_client(rtu_wire(site.scenario), patience=0.15) as client:
        for device_id in (31, 32):
            assert len((await client.read_holding_registers(0, count=6, device_id=device_id)).registers) == 6
        for device_id in (33, 34):
            with pytest.raises(ModbusIOException):
                await client.read_holding_registers(0, count=6, device_id=device_id)


@pytest.mark.parametrize(
    "faults",
    [WireFaults(silence=1.0), WireFaults(bad_crc=1.0), WireFaults(truncated=1.0), WireFaults(lag_seconds=0.4)],
)
async def test_wire_faults_spoil_answers_and_can_be_taken_away(faults: WireFaults) -> None:
    async with live("cabin") as site:
        wire = rtu_wire(site.scenario)
        wire.faults[11] = faults
        async with rtu_client(wire, patience=0.15) as client:
            with pytest.raises(ModbusIOException):
                await client.read_holding_registers(0, count=8, device_id=11)
            await asyncio.sleep(0.5)
        wire.faults.clear()
        async with rtu_client(wire) as client:
            assert not (await client.read_holding_registers(0, count=8, device_id=11)).isError()


async def test_rtu_device_finds_its_feet_after_noise_and_puts_noise_in_front_when_asked() -> None:
    async with live("cabin") as site:
        wire = rtu_wire(site.scenario)
        request = with_crc(bytes((11, 3, 0, 0, 0, 2)))
        with serial.Serial(wire.path, timeout=2) as port:
            port.write(b"\x00\xff\x13" + request)
            answer = await asyncio.to_thread(port.read, 9)
            assert answer[:3] == bytes((11, 3, 4))
            assert with_crc(answer[:-2]) == answer
            wire.faults[11] = WireFaults(noise=1.0)
            port.write(request)
            noisy = await asyncio.to_thread(port.read, 10)
            assert not noisy.startswith(bytes((11, 3, 4)))


async def test_text_device_prints_lines_at_its_own_pace() -> None:
    async with live("cabin", speed=100.0) as site:
        wire = next(wire for wire in site.scenario.wires if isinstance(wire, SerialTextWire))
        with serial.Serial(wire.path, timeout=5) as port:
            lines = [await asyncio.to_thread(port.readline) for _ in range(3)]
        air = float(site.truth("house").ambient_celsius[0])
        for line in lines:
            body, _, checksum = line.strip().partition(b"*")
            key, _, value = body.partition(b"=")
            assert key == b"air"
            assert float(value) == pytest.approx(air, abs=1.0)
            assert len(checksum) == 2


async def test_serial_port_keeps_its_name_when_plugged_in_again(tmp_path: Path) -> None:
    async with live("cabin") as site:
        wire = SerialTextWire(WeatherStation(Mount("weather", "house")), link=tmp_path / "ttyWeather")
        for _ in range(2):
            await wire.start(site)
            assert wire.path == str(tmp_path / "ttyWeather")
            with serial.Serial(wire.path, timeout=5) as port:
                assert (await asyncio.to_thread(port.readline)).startswith(b"air=")
            await wire.stop()
            assert not await asyncio.to_thread(os.path.lexists, tmp_path / "ttyWeather")
        with pytest.raises(RuntimeError, match="not open"):
            _ = wire.path


async def test_unplugging_is_seen_by_the_client() -> None:
    async with live("cabin") as site:
        wire = rtu_wire(site.scenario)
        with serial.Serial(wire.path, timeout=0) as port:
            await wire.stop()
            with pytest.raises((serial.SerialException, OSError)):
                port.read(1)


async def test_site_lives_on_with_its_clock_and_can_be_started_again() -> None:
    site = SimulatedSite(SCENARIOS["cabin"](0), 1, (), START_MS)
    for _ in range(2):
        await site.start(AcceleratedClock(site.now_ms, 3600.0))
        began = site.now_ms
        await asyncio.sleep(0.5)
        assert site.now_ms >= began + 600_000
        await site.stop()
        stopped = site.now_ms
        await asyncio.sleep(0.05)
        assert site.now_ms == stopped


async def test_history_goes_over_into_live_without_a_jump() -> None:
    site = SimulatedSite(SCENARIOS["cabin"](0), 1, (), START_MS)
    (blocks,) = site.history(START_MS, START_MS + 3_600_000, 60.0)
    counter = blocks[0].counts[2][-1]
    await site.start(AcceleratedClock(site.now_ms, 1.0))
    try:
        async with tcp_client(tcp_wire(site.scenario)) as client:
            words = (await client.read_holding_registers(105, count=2, device_id=1)).registers
        assert (words[0] << 16 | words[1]) - (2**32 if words[0] & 0x8000 else 0) == pytest.approx(counter, abs=2)
    finally:
        await site.stop()


@pytest.mark.skipif(shutil.which("mbpoll") is None, reason="mbpoll is not installed")
async def test_a_client_nobody_here_wrote_reads_the_same() -> None:
    async with live("cabin") as site:
        _, port = tcp_wire(site.scenario).host_and_port
        reader = await asyncio.create_subprocess_exec(
            *(
                "mbpoll",
                "-m",
                "tcp",
                "-p",
                str(port),
                "-a",
                "1",
                "-0",
                "-r",
                "100",
                "-c",
                "1",
                "-t",
                "4",
                "-1",
                "127.0.0.1",
            ),
            stdout=asyncio.subprocess.PIPE,
        )
        output, _ = await reader.communicate()
        (line,) = [line for line in output.decode().splitlines() if line.startswith("[100]")]
        assert int(line.split()[1]) / 100.0 == pytest.approx(float(site.truth("house").volts[0]), abs=0.3)


async def test_module_serves_prints_its_settings_and_stops_on_interrupt() -> None:
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "simulators", "cabin", "--speed", "60", "--fault", "weak_block"),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    assert process.stdout is not None
    text = b""
    while b"air" not in text:
        text += await process.stdout.readline()
    text += await process.stdout.readuntil(b"noise = 0.05 }\n")
    process.send_signal(2)
    _, errors = await process.communicate()
    assert process.returncode == 0
    assert b"shunt: Modbus TCP at 127.0.0.1:" in errors
    assert b"Traceback" not in errors
    devices = tomllib.loads(text.decode())["device"]
    assert [device["name"] for device in devices] == ["shunt", "taps", "weather"]


async def test_a_taken_port_is_an_error_and_leaves_nothing_open() -> None:
    async with live("cabin") as site:
        _, port = tcp_wire(site.scenario).host_and_port
        other = SimulatedSite(SCENARIOS["cabin"](port), 1, (), START_MS)
        with pytest.raises(RuntimeError, match="listen"):
            await other.start(AcceleratedClock(START_MS, 1.0))
        with pytest.raises(RuntimeError, match="not open"):
            settings_text(other.scenario)
