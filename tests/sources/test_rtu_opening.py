"""The first request on a port just opened: at once where nobody has used it, else never before the silence.

What a former user of the port asked may be answered after it is opened anew, and looks like the answer to the first
request. The kernel notes when a terminal was last written to; that alone tells whether there was a former user.
"""

from __future__ import annotations

import asyncio
import os
import random
import time
from collections import Counter
from pathlib import Path

import pytest
import rtu_slave as wire
from rtu_slave import RtuSlave
from until import until

from loggerd.errors import InstrumentError
from loggerd.sources.modbus_library import rtu_request
from loggerd.sources.rtu_gate import RtuWire
from loggerd.sources.rtu_port import RtuConnection, RtuPort
from loggerd.sources.wire import Request

TIMEOUT_MS, QUIET_MS = 30, 90
ENDLESS_MS = 600_000


def connection(path: str, quiet_ms: int = QUIET_MS) -> RtuConnection:
    return RtuConnection(path, 115200, "N", 1, TIMEOUT_MS, quiet_ms)


def last_used(path: str, seconds_ago: float) -> None:
    """As the kernel would note it."""
    when = time.time() - seconds_ago
    os.utime(path, (when, when))


def ask(address: int = 0) -> Request:
    return Request("shunt", 1, "holding", address, 2)


def seconds_since_boot() -> float:
    return time.clock_gettime(time.CLOCK_BOOTTIME)


async def first_answer(path: str, quiet_ms: int = QUIET_MS, address: int = 0) -> object:
    gate = RtuWire(connection(path, quiet_ms))
    try:
        return await gate.read(ask(address))
    finally:
        await gate.close()


async def test_the_kernel_notes_what_is_sent_and_not_what_is_heard() -> None:
    """What all of this rests on; opening, setting up and reading are no use of the line."""
    slave = RtuSlave((1,))
    last_used(slave.path, 30)
    port = RtuPort(connection(slave.path), "shunt")
    slave.send(b"heard")
    await until(lambda: port.take() != b"")
    assert 21 <= port.unused_seconds() <= 30
    port.send(rtu_request(ask()), "shunt")
    assert port.unused_seconds() == 0
    port.close()
    slave.unplug()


async def test_a_port_that_nobody_used_is_asked_at_once() -> None:
    slave = RtuSlave((1,))
    last_used(slave.path, 60)
    async with asyncio.timeout(20):
        await first_answer(slave.path, 30_000)
    slave.unplug()


@pytest.mark.parametrize("seconds_ago", [0.0, 5.0, 9.0, 300.0, -40.0])
async def test_a_port_used_of_late_is_asked_after_the_silence(seconds_ago: float) -> None:
    """Also when the time noted lies in the future, and when the silence asked for is longer than that."""
    slave = RtuSlave((1,))
    last_used(slave.path, seconds_ago)
    asking = asyncio.create_task(first_answer(slave.path, ENDLESS_MS))
    await asyncio.sleep(0.3)
    assert slave.asked == []
    asking.cancel()
    await asyncio.gather(asking, return_exceptions=True)
    slave.unplug()


async def test_a_time_before_the_start_of_the_computer_is_not_believed() -> None:
    """Without a battery its clock is wrong until it is set: what was noted before says nothing."""
    slave = RtuSlave((1,))
    last_used(slave.path, seconds_since_boot() + 3600)
    port = RtuPort(connection(slave.path), "shunt")
    assert port.unused_seconds() == 0
    port.close()
    slave.unplug()


async def test_a_port_lost_and_opened_anew_is_in_doubt(tmp_path: Path) -> None:
    """The device that answers late is still there when its adapter is plugged in again."""
    place = tmp_path / "line"
    first, second = RtuSlave((1,)), RtuSlave((1,))
    place.symlink_to(first.path)
    last_used(first.path, 60)
    gate = RtuWire(connection(str(place)))
    await gate.read(ask())
    first.unplug()
    place.unlink()
    place.symlink_to(second.path)
    asked_at: list[float] = []
    opened_at = time.monotonic()
    while not asked_at:
        try:
            await gate.read(ask())
            asked_at.append(time.monotonic())
        except InstrumentError:
            await asyncio.sleep(0)
    assert asked_at[0] - opened_at >= QUIET_MS / 1000
    await gate.close()
    second.unplug()


async def restarted(seed: int, hidden: bool, outcomes: Counter[str]) -> None:
    """A former user asks for other registers and goes; its answer comes when the next one is there, or never.

    `hidden`: the kernel's note of it is wiped out, which nothing but the judge of these tests does.
    """
    rng = random.Random(seed)
    slave = RtuSlave((1,), lambda asked: late(rng) if asked.number == 1 else wire.late(0.001, 0.02), seed=seed)
    last_used(slave.path, 60)
    descriptor = os.open(slave.path, os.O_RDWR | os.O_NOCTTY)
    os.write(descriptor, rtu_request(ask(address=rng.randrange(100, 60000))))
    await until(lambda: slave.asked != [])
    os.close(descriptor)
    if hidden:
        last_used(slave.path, 60)
    try:
        values = await first_answer(slave.path)
    except InstrumentError:
        outcomes["lost"] += 1
    else:
        asked = slave.asked[-1]
        right = asked.address == 0 and values == tuple(wire.word_of(asked, i) for i in range(2))
        outcomes["right" if right else "WRONG"] += 1
    slave.unplug()


def late(rng: random.Random) -> wire.Fault:
    seconds = rng.uniform(0.0, 0.9 * QUIET_MS / 1000)
    return wire.late(seconds, seconds)


async def test_no_answer_to_a_former_user_is_taken_for_ours() -> None:
    outcomes: Counter[str] = Counter()
    for start in range(0, 200, 20):
        await asyncio.gather(*(restarted(seed, False, outcomes) for seed in range(start, start + 20)))
    print(dict(outcomes))
    assert outcomes["WRONG"] == 0
    assert outcomes["right"] > 150


async def test_without_the_kernels_note_wrong_values_are_seen() -> None:
    """Negative control: the same former users, and a gate that believes there was none."""
    outcomes: Counter[str] = Counter()
    for start in range(0, 100, 20):
        await asyncio.gather(*(restarted(seed, True, outcomes) for seed in range(start, start + 20)))
    print(dict(outcomes))
    assert outcomes["WRONG"] > 5
