"""The gate and the line on a pseudo-terminal. A pseudo-terminal has no speed and no parity: those stay
untested.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
import rtu_slave as wire
from rtu_slave import RtuSlave
from until import until

from loggerd.clock import AcceleratedClock, SystemClock
from loggerd.decoding.registers import RegisterPlace
from loggerd.errors import Absent, Garbled, InstrumentError, Refused, Silent
from loggerd.model.channels import MISSING
from loggerd.model.scan import Scan
from loggerd.sources.base import DeviceEvent, Sink
from loggerd.sources.modbus import ModbusDevice, ModbusLine
from loggerd.sources.modbus_library import checksum, rtu_request
from loggerd.sources.rtu_frames import hear
from loggerd.sources.rtu_gate import RtuWire
from loggerd.sources.rtu_port import RtuConnection
from loggerd.sources.wire import ExceptionAnswer, Request


def connection(path: str, timeout_ms: int = 60, quiet_ms: int = 120) -> RtuConnection:
    return RtuConnection(path, 115200, "N", 1, timeout_ms, quiet_ms)


def ask(device_id: int = 1, address: int = 0, count: int = 2) -> Request:
    return Request("shunt", device_id, "holding", address, count)


@asynccontextmanager
async def gated(
    fault: Callable[[wire.Asked], wire.Fault | None] = lambda _asked: None,
    timeout_ms: int = 60,
    quiet_ms: int = 120,
) -> AsyncIterator[tuple[RtuSlave, RtuWire]]:
    slave = RtuSlave((1, 2), fault)
    gate = RtuWire(connection(slave.path, timeout_ms, quiet_ms))
    try:
        yield slave, gate
    finally:
        await gate.close()
        slave.unplug()


SLOW = wire.late(0.05, 0.05)
"""In time, but only just: a late answer to the request before would come first."""


def first(*faults: wire.Fault | None) -> Callable[[wire.Asked], wire.Fault | None]:
    """These faults for the first requests; from then on the devices are slow."""
    return lambda asked: faults[asked.number - 1] if asked.number <= len(faults) else SLOW


def values(slave: RtuSlave, request: Request) -> tuple[int, ...]:
    return tuple(wire.word_of(slave.asked[-1], request.address + i) for i in range(request.count))


@pytest.mark.parametrize(
    ("data", "check"),
    [
        # Published frames; 123456789 gives 0x4B37 by the catalogue of CRC algorithms, sent low byte first.
        ("01 03 00 00 00 0A", "C5 CD"),
        ("11 03 00 6B 00 03", "76 87"),
        ("11 03 06 AE 41 56 52 43 40", "49 AD"),
        ("01 03 00 85 00 01", "95 E3"),
        ("01 83 02", "C0 F1"),
        ("31 32 33 34 35 36 37 38 39", "37 4B"),
    ],
)
def test_published_checksums(data: str, check: str) -> None:
    assert checksum(bytes.fromhex(data)) == bytes.fromhex(check)
    assert wire.crc16(bytes.fromhex(data)) == bytes.fromhex(check)


def test_published_request() -> None:
    request = Request("x", 0x11, "holding", 0x6B, 3)
    assert rtu_request(request) == bytes.fromhex("11 03 00 6B 00 03 76 87")
    heard = hear(bytes.fromhex("11 03 06 AE 41 56 52 43 40 49 AD"), request)
    assert heard.answer == (0xAE41, 0x5652, 0x4340)
    assert hear(bytes.fromhex("01 83 02 C0 F1"), Request("x", 1, "holding", 0, 1)).answer == ExceptionAnswer(2)


def test_published_gap() -> None:
    # Modbus over Serial Line V1.02: 3.5 characters of 11 bits, fixed above 19200 bit/s.
    assert RtuConnection("p", 9600).gap_seconds == pytest.approx(0.0040104, abs=1e-6)
    assert RtuConnection("p", 19200).gap_seconds == pytest.approx(0.002005, abs=1e-6)
    assert RtuConnection("p", 38400).gap_seconds == 0.00175


def test_more_registers_than_a_request_holds_are_refused_before_sending() -> None:
    with pytest.raises(ValueError):
        rtu_request(ask(count=126))


def test_two_different_answers_of_one_device_are_no_answer() -> None:
    one, other = wire.closed(bytes.fromhex("01 03 02 00 01")), wire.closed(bytes.fromhex("01 03 02 00 02"))
    request = ask(count=1)
    assert hear(one, request).answer == (1,)
    assert hear(one + one, request).answer == (1,)
    assert hear(one + other, request).answer is None
    assert hear(other + one, request).answer is None


def test_the_echo_of_a_request_about_coils_is_never_its_answer() -> None:
    request = Request("x", 1, "coil", 0x0312, 20)
    sent = rtu_request(request)
    # The echo has the form of an answer with three bytes of bits.
    for data in (sent, b"\x00" + sent, sent + sent):
        assert hear(data, request).answer is None
    right = wire.closed(bytes.fromhex("01 01 03 FF 00 05"))
    assert hear(sent + right, request).answer == (1,) * 8 + (0,) * 8 + (1, 0, 1, 0)


def test_a_few_stray_bytes_around_an_answer_are_ignored_and_more_are_not() -> None:
    request = ask(count=1)
    right = wire.closed(bytes.fromhex("01 03 02 00 01"))
    assert hear(b"\x00\xff" + right + b"\x00", request).is_believable
    assert not hear(b"\x00\xff" + right + b"\x00\x00", request).is_believable


def test_random_bytes_are_never_an_answer() -> None:
    random_ = random.Random(3)
    for _ in range(20_000):
        assert hear(random_.randbytes(random_.randrange(40)), ask()).answer is None


@pytest.mark.parametrize("lag", [0.08, 0.12, 0.17])
async def test_a_late_answer_is_not_taken_for_the_next(lag: float) -> None:
    async with gated(first(wire.late(lag, lag))) as (slave, gate):
        with pytest.raises(Silent):
            await gate.read(ask(address=10))
        request = ask(address=900)
        assert await gate.read(request) == values(slave, request)


@pytest.mark.parametrize("lag", [0.04, 0.12])
async def test_a_reading_cancelled_from_outside_leaves_the_line_in_doubt(lag: float) -> None:
    async with gated(first(None, wire.late(lag, lag))) as (slave, gate):
        await gate.read(ask())
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(gate.read(ask(address=10)), 0.01)
        assert len(slave.asked) == 2
        request = ask(address=900)
        assert await gate.read(request) == values(slave, request)


async def test_closing_and_opening_again_does_not_let_a_late_answer_in() -> None:
    async with gated(first(wire.late(0.1, 0.1))) as (slave, gate):
        with pytest.raises(Silent):
            await gate.read(ask(address=10))
        await gate.close()
        request = ask(address=900)
        assert await gate.read(request) == values(slave, request)
        assert gate.connections == 2


async def test_the_answer_behind_a_gateways_refusal_is_not_taken_for_the_next() -> None:
    async with gated(first(wire.late_behind_exception(0.03))) as (slave, gate):
        assert await gate.read(ask(address=10)) == ExceptionAnswer(11)
        request = ask(address=900)
        assert await gate.read(request) == values(slave, request)


async def test_an_answer_later_than_the_quiet_time_makes_the_quiet_time_longer() -> None:
    """The setting is wrong: with 60 + 120 ms, answers take 250 ms. After the first one is heard, none is
    mixed up.
    """
    async with gated(lambda _asked: wire.late(0.25, 0.25)) as (slave, gate):
        with pytest.raises(Silent):
            await gate.read(ask(address=10))
        await asyncio.sleep(0.3)
        for address in (20, 30, 40):
            with pytest.raises(Silent):
                await gate.read(ask(address=address))
        slave.fault = lambda _asked: None
        request = ask(address=900)
        assert await gate.read(request) == values(slave, request)


async def test_a_stalled_event_loop_does_not_hide_a_late_answer() -> None:
    async with gated(first(wire.silence)) as (slave, gate):
        with pytest.raises(Silent):
            await gate.read(ask(address=10))
        # What came while everything stood still, and was not seen by the loop before the next request is
        # made.
        await asyncio.sleep(0.15)
        slave.send(slave.right_answer(slave.asked[-1]))
        request = ask(address=900)
        assert await gate.read(request) == values(slave, request)


async def test_a_repetition_heard_while_nobody_waits_is_thrown_away() -> None:
    async with gated() as (slave, gate):
        await gate.read(ask(address=10))
        slave.send(slave.right_answer(slave.asked[-1]))
        await asyncio.sleep(0.01)
        request = ask(address=900)
        assert await gate.read(request) == values(slave, request)


async def test_a_line_that_is_never_silent_is_told_and_not_waited_for_for_ever() -> None:
    async with gated(timeout_ms=20, quiet_ms=40) as (slave, gate):

        async def babble() -> None:
            while True:
                slave.send(b"\x55")
                await asyncio.sleep(0.0005)

        babbling = asyncio.create_task(babble())
        with pytest.raises(Garbled, match="never silent"):
            await gate.read(ask())
        babbling.cancel()
        assert slave.asked == []
        request = ask()
        assert await gate.read(request) == values(slave, request)


async def test_a_dripping_line_is_used_all_the_same() -> None:
    """A stray byte now and then is noise, not an answer: it may not keep the line in doubt for ever."""
    async with gated(timeout_ms=20, quiet_ms=60) as (slave, gate):

        async def drip() -> None:
            while True:
                slave.send(b"\x00")
                await asyncio.sleep(0.03)

        dripping = asyncio.create_task(drip())
        request = ask()
        assert await gate.read(request) == values(slave, request)
        dripping.cancel()


async def test_bits_and_all_tables() -> None:
    async with gated() as (slave, gate):
        for table in ("coil", "discrete", "holding", "input"):
            request = Request("x", 2, table, 5, 19)
            answer = await gate.read(request)
            right = values(slave, request)
            assert answer == (tuple(word & 1 for word in right) if table in {"coil", "discrete"} else right)
        assert [asked.function for asked in slave.asked] == [1, 2, 3, 4]


@pytest.mark.parametrize(
    ("fault", "error", "words"),
    [
        (wire.silence, Silent, "no answer within 60 ms"),
        (wire.echo_alone, Silent, "no answer within 60 ms"),
        (wire.other_unit, Garbled, "device id 2"),
        (wire.wrong_function, Garbled, "no answer to holding 0 to 1"),
        (wire.fewer_registers, Garbled, "no answer to holding 0 to 1"),
        (wire.truncated, Garbled, "no whole answer"),
        (wire.noise_inside, Garbled, "no whole answer"),
    ],
)
async def test_errors_say_what_came(fault: wire.Fault, error: type[InstrumentError], words: str) -> None:
    async with gated(first(fault)) as (_, gate):
        with pytest.raises(error, match=words) as caught:
            await gate.read(ask())
        assert caught.value.device == "shunt"


async def test_no_port() -> None:
    gate = RtuWire(connection("/dev/there-is-no-such-port"))
    with pytest.raises(Absent, match="there-is-no-such-port"):
        await gate.read(ask())
    await gate.settle()
    await gate.close()


async def test_a_port_has_one_owner() -> None:
    async with gated() as (slave, gate):
        await gate.read(ask())
        with pytest.raises(Absent, match="cannot be opened"):
            await RtuWire(connection(slave.path)).read(ask())


# -- whole lines --


class Caught:
    def __init__(self) -> None:
        self.scans: list[Scan] = []
        self.events: list[DeviceEvent] = []
        self.sink = Sink(self.scans.append, self.events.append)


def device(name: str, device_id: int, poll_ms: int = 1_000) -> ModbusDevice:
    places = (RegisterPlace("holding", 0, "uint32"), RegisterPlace("holding", 10))
    return ModbusDevice(name, device_id, poll_ms, places)


def open_descriptors() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def told(caught: Caught, events: int) -> Callable[[], bool]:
    return lambda: len(caught.events) == events


async def stop(task: asyncio.Task[None]) -> None:
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


async def test_read_once() -> None:
    slave = RtuSlave((1,), word=lambda _asked, address: address + 1)
    line = ModbusLine(connection(slave.path), [device("a", 1), device("b", 9)], SystemClock())
    assert await line.read_once("a") == Scan("a", (0x0001_0002, 11))
    with pytest.raises(Silent):
        await line.read_once("b")
    assert await line.read_once("a") == Scan("a", (0x0001_0002, 11))
    await line.close()
    slave.unplug()


async def test_registers_that_a_device_does_not_have_are_missing_and_the_others_are_read() -> None:
    def refuse(asked: wire.Asked) -> wire.Fault | None:
        refusal = wire.closed(bytes((asked.device_id, 0x83, 2)))
        return (lambda _asked, _right, _random: [(0, refusal)]) if asked.address == 10 else None

    slave = RtuSlave((1,), refuse, word=lambda _asked, address: address + 1)
    line = ModbusLine(connection(slave.path), [device("a", 1)], SystemClock())
    assert await line.read_once("a") == Scan("a", (0x0001_0002, MISSING))
    assert "holding 10" in line.health["a"].last_error
    slave.fault = lambda _asked: wire.exception
    with pytest.raises(Refused):
        await line.read_once("a")
    await line.close()
    slave.unplug()


async def test_one_dead_device_of_five_costs_the_others_at_most_a_tenth() -> None:
    """Over the real gate: a failure costs 40 + 60 ms, a second on a clock ten times as fast."""
    slave = RtuSlave((1, 2, 3, 4))
    clock = AcceleratedClock(0, speed=10)
    devices = [device(f"d{n}", n) for n in (5, 1, 2, 3, 4)]
    line = ModbusLine(connection(slave.path, 40, 60), devices, clock)
    caught = Caught()
    running = asyncio.create_task(line.run(caught.sink))
    await until(lambda: line.health["d5"].silent >= 2)
    before = {name: (health.scans, health.missed) for name, health in line.health.items()}
    await until(lambda: line.health["d5"].silent >= 5)
    await stop(running)
    for name in ("d1", "d2", "d3", "d4"):
        scans = line.health[name].scans - before[name][0]
        missed = line.health[name].missed - before[name][1]
        assert scans > 50
        assert scans >= 0.9 * (scans + missed), f"{name}: {scans} read, {missed} missed"
    assert [event.kind for event in caught.events] == ["lost"]


async def test_unplugged_and_plugged_in_again(tmp_path: Path) -> None:
    by_id = tmp_path / "adapter"
    clock = AcceleratedClock(0, speed=50)
    slave = RtuSlave((1, 2))
    by_id.symlink_to(slave.path)
    line = ModbusLine(connection(str(by_id), 40, 40), [device("a", 1), device("b", 2)], clock)
    caught = Caught()
    running = asyncio.create_task(line.run(caught.sink))
    await until(lambda: line.health["b"].scans >= 3)
    descriptors = open_descriptors()
    for round_ in range(1, 6):
        slave.unplug()
        by_id.unlink()
        await until(told(caught, 4 * round_ - 2))
        slave = RtuSlave((1, 2))
        by_id.symlink_to(slave.path)
        await until(told(caught, 4 * round_))
    assert open_descriptors() == descriptors
    for name in ("a", "b"):
        assert [event.kind for event in caught.events if event.device == name] == ["lost", "back"] * 5
    assert line.health["a"].absent + line.health["b"].absent >= 5
    await stop(running)
    slave.unplug()
