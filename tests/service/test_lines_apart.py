"""Dead, silent, mad and absent devices on other wires: the service starts, reads the others on time, and stops."""

from __future__ import annotations

import asyncio
import random
import signal
import socket
from pathlib import Path

from quick_bank import QuickBank
from quick_site import SHUNT, TAPS, VOLTS, bank, device, settings_of, write_site
from record_judge import announced, blocks_of, judge_caught_up, missing
from running_service import SettableClock, running
from service_process import ServiceProcess
from tcp_servers import ScriptedTcpServer
from until import until

from loggerd.clock import SystemClock
from loggerd.sources.base import DeviceHealth
from loggerd.store.record import RecordReader


async def never_answer(_request: bytes, _writer: asyncio.StreamWriter) -> None:
    """Hears everything and says nothing."""


def babble(seed: int) -> ScriptedTcpServer:
    """Sends noise of random length for every request, and hangs up now and then."""
    noise = random.Random(seed)

    async def answer(request: bytes, writer: asyncio.StreamWriter) -> None:
        # Half of the noise begins like the right answer.
        head = request[: noise.randrange(12)] if noise.random() < 0.5 else b""
        writer.write(head + noise.randbytes(noise.randrange(1, 300)))
        if noise.random() < 0.1:
            writer.close()
            return
        await writer.drain()

    return ScriptedTcpServer(answer)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def five_lines(folder: Path, good: int, silent: int, mad: int) -> Path:
    """A good shunt; a silent and a mad device, one that is absent, and a serial port that is not there."""
    serial = device("serial taps", "house", good, TAPS[3:], 9).replace(
        f'kind = "modbus_tcp", host = "127.0.0.1", port = {good}', f'kind = "modbus_rtu", port = "{folder}/ttyNONE"'
    )
    return write_site(
        folder,
        bank("house"),
        device("shunt", "house", good, (SHUNT, VOLTS), 1, 0.2),
        device("silent taps", "house", silent, TAPS[:1], 2, 0.2),
        device("mad taps", "house", mad, TAPS[1:2], 3, 0.2),
        device("absent taps", "house", free_port(), TAPS[2:3], 4, 0.2),
        serial,
    )


async def test_what_is_wrong_on_other_wires_delays_nothing(tmp_path: Path) -> None:
    async with QuickBank() as good, ScriptedTcpServer(never_answer) as silent, babble(1) as mad:
        settings = settings_of(five_lines(tmp_path, good.port, silent.port, mad.port))
        async with running(settings, SystemClock()) as service:
            health: dict[str, DeviceHealth] = {}
            for line in service.lines:
                health |= line.health
            await until(lambda: health["shunt"].scans >= 50 and health["silent taps"].silent >= 3)
            asked = health["shunt"]
            assert asked.missed <= asked.scans // 10
            assert asked.garbled == asked.silent == 0
            for bad in ("silent taps", "mad taps", "absent taps", "serial taps"):
                assert health[bad].scans == 0, bad
                assert health[bad].polls >= 2, bad
    reader = RecordReader.open(tmp_path / "record.sqlite")
    try:
        lost = {event.subject for event in reader.events() if event.kind in ("lost", "garbled")}
    finally:
        reader.close()
    assert lost == {"silent taps", "mad taps", "absent taps", "serial taps"}
    assert {block.device for block in blocks_of(tmp_path / "record.sqlite", ("house",))} == {"shunt"}
    judge_caught_up(settings, "house")


async def test_a_device_that_comes_late_is_read_from_then_on(tmp_path: Path) -> None:
    port = free_port()
    settings = settings_of(write_site(tmp_path, bank("house"), device("shunt", "house", port, (SHUNT, VOLTS), 1, 0.1)))
    said: list[str] = []
    async with running(settings, SettableClock(speed=4), said.append) as service:
        await until(lambda: service.lines[0].health["shunt"].absent >= 3)
        late = QuickBank()
        late.port = port
        async with late:
            await until(lambda: len(said) > 3)
    reader = RecordReader.open(tmp_path / "record.sqlite")
    try:
        kinds = [event.kind for event in reader.events() if event.subject == "shunt"]
    finally:
        reader.close()
    assert kinds[:2] == ["lost", "back"]


async def test_a_stop_comes_through_while_devices_hang(tmp_path: Path) -> None:
    async with QuickBank() as good, ScriptedTcpServer(never_answer) as silent, babble(2) as mad:
        settings = five_lines(tmp_path, good.port, silent.port, mad.port)
        async with ServiceProcess(settings, tmp_path / "ack") as service:
            await service.start()
            await service.announced(4)
            code, said = await service.finish(signal.SIGTERM)
    assert code == 0, said.decode()
    blocks = blocks_of(tmp_path / "record.sqlite", ("house",))
    found = announced(service.said)
    assert missing(found, blocks) == {}
    assert sum(map(len, blocks)) == sum(map(len, found.values())), "the last readings are stored and announced"
    reader = RecordReader.open(tmp_path / "record.sqlite")
    try:
        assert reader.events()[-1].kind == "stopped"
    finally:
        reader.close()
