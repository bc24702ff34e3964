from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from pymodbus.simulator import DataType, SimData, SimDevice
from tcp_servers import ScriptedTcpServer, frame, simulated
from until import until

from loggerd.clock import AcceleratedClock, SystemClock
from loggerd.decoding.registers import RegisterPlace
from loggerd.errors import Absent, Garbled, InstrumentError, Refused, Silent
from loggerd.model.channels import MISSING
from loggerd.model.scan import Scan
from loggerd.sources.base import DeviceEvent, Sink
from loggerd.sources.modbus import ModbusDevice, ModbusLine, TcpConnection
from loggerd.sources.modbus_library import TcpWire
from loggerd.sources.wire import ExceptionAnswer, Request


def ask(device_id: int = 1, address: int = 0, count: int = 2) -> Request:
    return Request("shunt", device_id, "holding", address, count)


def answer_to(request: bytes) -> bytes:
    """The right answer of a device whose registers hold their own address."""
    address, count = int.from_bytes(request[8:10], "big"), int.from_bytes(request[10:12], "big")
    data = b"".join((address + i).to_bytes(2, "big") for i in range(count))
    return frame(request[:2], request[6], bytes((request[7], len(data))) + data)


@asynccontextmanager
async def scripted(
    *answers: Callable[[bytes], list[tuple[float, bytes]]], timeout_ms: int = 150
) -> AsyncIterator[tuple[ScriptedTcpServer, TcpWire]]:
    """A server that gives these answers to the first requests and right ones afterwards, and a wire to it."""
    left = list(answers)
    later: set[asyncio.Task[None]] = set()

    async def send(seconds: float, data: bytes, writer: asyncio.StreamWriter) -> None:
        await asyncio.sleep(seconds)
        writer.write(data)

    async def respond(request: bytes, writer: asyncio.StreamWriter) -> None:
        plan = left.pop(0)(request) if left else [(0.0, answer_to(request))]
        for seconds, data in plan:
            later.add(asyncio.create_task(send(seconds, data, writer)))

    async with ScriptedTcpServer(respond) as server:
        tcp = TcpWire("127.0.0.1", server.port, timeout_ms)
        try:
            yield server, tcp
        finally:
            await tcp.close()
            await asyncio.gather(*later)


def open_descriptors() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def told(events: list[DeviceEvent], number: int) -> Callable[[], bool]:
    return lambda: len(events) >= number


def sends(data: bytes) -> Callable[[bytes], list[tuple[float, bytes]]]:
    return lambda _request: [(0.0, data)]


async def test_all_types_and_tables_from_the_librarys_own_server() -> None:
    device = SimDevice(
        7,
        (
            [SimData(0, values=[True, False, True, True] * 4, datatype=DataType.BITS)],
            [SimData(0, values=[False, True] * 8, datatype=DataType.BITS)],
            [
                SimData(0, values=-12.5, datatype=DataType.FLOAT32),
                SimData(2, values=-123456, datatype=DataType.INT32),
                SimData(4, values=[0xFF83, 0xFFFF], datatype=DataType.REGISTERS),
                SimData(6, values=123456789012, datatype=DataType.UINT64),
            ],
            [SimData(100, values=0x8000, datatype=DataType.REGISTERS)],
        ),
    )
    places = (
        RegisterPlace("holding", 0, "float32", resolution=0.5),
        RegisterPlace("holding", 2, "int32"),
        RegisterPlace("holding", 4, "int16", scale_address=5, resolution=0.1),
        RegisterPlace("holding", 6, "uint64"),
        RegisterPlace("input", 100, "int16", not_a_value=(32768,)),
        RegisterPlace("coil", 2),
        RegisterPlace("discrete", 2),
    )
    async with simulated([device]) as port:
        line = ModbusLine(TcpConnection("127.0.0.1", port), [ModbusDevice("shunt", 7, 1_000, places)], SystemClock())
        assert await line.read_once("shunt") == Scan("shunt", (-25, -123456, -125, 123456789012, MISSING, 1, 0))
        await line.close()


async def test_exception_answers() -> None:
    async with simulated([SimDevice(1, [SimData(0, count=100, datatype=DataType.REGISTERS)])]) as port:
        tcp = TcpWire("127.0.0.1", port, 500)
        assert await tcp.read(ask(address=95, count=5)) == (0,) * 5
        assert await tcp.read(ask(address=96, count=5)) == ExceptionAnswer(2)
        line = ModbusLine(
            TcpConnection("127.0.0.1", port),
            [ModbusDevice("shunt", 1, 1_000, (RegisterPlace("holding", 200),))],
            SystemClock(),
        )
        with pytest.raises(Refused, match=r"holding 200.*illegal data address") as caught:
            await line.read_once("shunt")
        assert caught.value.device == "shunt"
        await tcp.close()
        await line.close()


async def test_a_late_answer_is_passed_over() -> None:
    async with scripted(lambda r: [(0.2, answer_to(r))], lambda r: [(0.1, answer_to(r))]) as (server, tcp):
        with pytest.raises(Silent, match="device id 1"):
            await tcp.read(ask(address=10))
        assert await tcp.read(ask(address=900)) == (900, 901)
        assert server.connections == 1


def with_transaction(number: bytes) -> Callable[[bytes], list[tuple[float, bytes]]]:
    return lambda request: [(0, number + answer_to(request)[2:])]


BROKEN: dict[str, Callable[[bytes], list[tuple[float, bytes]]]] = {
    "transaction number 0": with_transaction(b"\x00\x00"),
    "other transaction": with_transaction(b"\x7f\x00"),
    "other unit": lambda r: [(0, frame(r[:2], 9, answer_to(r)[7:]))],
    "other function": lambda r: [(0, frame(r[:2], r[6], b"\x04" + answer_to(r)[8:]))],
    "fewer registers": lambda r: [(0, frame(r[:2], r[6], b"\x03\x02\x00\x01"))],
    "more registers": lambda r: [(0, frame(r[:2], r[6], b"\x03\x06\x00\x01\x00\x02\x00\x03"))],
    "odd byte count": lambda r: [(0, frame(r[:2], r[6], b"\x03\x03\x00\x01\x00"))],
    "wrong byte count": lambda r: [(0, frame(r[:2], r[6], b"\x03\x08\x00\x01\x00\x02"))],
    "unknown function": lambda r: [(0, frame(r[:2], r[6], b"\x63\x01"))],
    "empty exception": lambda r: [(0, frame(r[:2], r[6], b"\x83"))],
    "no function": lambda r: [(0, frame(r[:2], r[6], b""))],
    "other protocol": lambda r: [(0, r[:2] + b"\x00\x01" + answer_to(r)[4:])],
    "endless length": lambda r: [(0, r[:4] + b"\xff\xff" + answer_to(r)[6:])],
    "half a frame": lambda r: [(0, answer_to(r)[:-1])],
    "text": lambda _r: [(0, b"HTTP/1.1 400 Bad Request\r\n\r\n")],
    "too much": lambda _r: [(0, bytes(5_000))],
}


@pytest.mark.parametrize("kind", BROKEN)
async def test_a_broken_answer_is_an_error_and_the_next_reading_is_right(kind: str) -> None:
    async with scripted(BROKEN[kind]) as (_, tcp):
        with pytest.raises((Garbled, Silent)):
            await tcp.read(ask(address=10))
        assert await tcp.read(ask(address=900)) == (900, 901)


async def test_an_answer_in_pieces_is_joined() -> None:
    async with scripted(lambda r: [(0.01 * i, bytes((b,))) for i, b in enumerate(answer_to(r))], timeout_ms=800) as (
        _,
        tcp,
    ):
        assert await tcp.read(ask(address=10)) == (10, 11)


async def test_random_bytes_never_crash_and_never_give_a_value() -> None:
    random_ = random.Random(5)
    noise = [sends(random_.randbytes(random_.randint(1, 300))) for _ in range(40)]
    async with scripted(*noise, timeout_ms=20) as (_, tcp):
        for _ in range(40):
            with pytest.raises(InstrumentError):
                await tcp.read(ask(address=10))
        assert await tcp.read(ask(address=900)) == (900, 901)


async def test_a_connection_that_stays_silent_is_made_anew_without_a_leak() -> None:
    async with scripted(*[lambda _r: []] * 6, timeout_ms=50) as (server, tcp):
        for _ in range(6):
            with pytest.raises(Silent):
                await tcp.read(ask())
        descriptors = open_descriptors()
        assert await tcp.read(ask(address=900)) == (900, 901)
        assert server.connections == tcp.connections == 4
        assert open_descriptors() <= descriptors + 2


async def test_a_reading_cancelled_from_outside_closes_the_connection() -> None:
    async with scripted(lambda r: [(0.05, answer_to(r))]) as (server, tcp):
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(tcp.read(ask(address=10)), 0.01)
        assert await tcp.read(ask(address=900)) == (900, 901)
        assert server.connections == 2


async def test_no_such_host() -> None:
    async with scripted() as (server, _):
        port = server.port
    for host in ("127.0.0.1", "a..b"):
        tcp = TcpWire(host, port, 200)
        for _ in range(3):
            with pytest.raises(Absent, match="host"):
                await tcp.read(ask())


async def test_a_peer_that_hangs_up_is_reconnected_to_at_the_next_reading() -> None:
    async with scripted() as (server, tcp):
        assert await tcp.read(ask(address=1)) == (1, 2)
        await server.hang_up()
        await asyncio.sleep(0.02)
        assert await tcp.read(ask(address=3)) == (3, 4)
        assert server.connections == 2


async def test_device_ids_behind_one_gateway_share_a_connection_and_a_dead_one_costs_the_others_little() -> None:
    async def respond(request: bytes, writer: asyncio.StreamWriter) -> None:
        if request[6] != 9:
            writer.write(answer_to(request))

    clock = AcceleratedClock(0, speed=10)
    scans: list[Scan] = []
    events: list[DeviceEvent] = []
    async with ScriptedTcpServer(respond) as server:
        devices = [ModbusDevice(f"d{n}", n, 1_000, (RegisterPlace("holding", n, "uint32"),)) for n in (9, 1, 2, 3, 4)]
        line = ModbusLine(TcpConnection("127.0.0.1", server.port, 100), devices, clock)
        running = asyncio.create_task(line.run(Sink(scans.append, events.append)))
        await until(lambda: line.health["d9"].silent >= 4)
        running.cancel()
        with pytest.raises(asyncio.CancelledError):
            await running
        assert server.connections == 1
    for n in (1, 2, 3, 4):
        health = line.health[f"d{n}"]
        assert health.scans >= 0.9 * (health.scans + health.missed)
        assert Scan(f"d{n}", (n << 16 | n + 1,)) in scans
    assert {scan.device for scan in scans} == {"d1", "d2", "d3", "d4"}
    assert [(event.device, event.kind) for event in events] == [("d9", "lost")]


async def test_the_server_going_away_and_coming_back() -> None:
    async def respond(request: bytes, writer: asyncio.StreamWriter) -> None:
        writer.write(answer_to(request))

    events: list[DeviceEvent] = []
    server = ScriptedTcpServer(respond)
    await server.__aenter__()
    line = ModbusLine(
        TcpConnection("127.0.0.1", server.port, 100),
        [ModbusDevice("a", 1, 1_000, (RegisterPlace("holding", 5),))],
        AcceleratedClock(0, speed=50),
    )
    running = asyncio.create_task(line.run(Sink(lambda _scan: None, events.append)))
    for rounds in range(1, 4):
        await until(lambda: line.health["a"].scans > 0)
        await server.__aexit__()
        await until(told(events, 2 * rounds - 1))
        await server.__aenter__()
        await until(told(events, 2 * rounds))
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running
    await server.__aexit__()
    assert [event.kind for event in events] == ["lost", "back"] * 3
