"""The schedule of a line, on a virtual clock with a scripted wire: nothing here depends on how fast the
machine is.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from until import until
from virtual_clock import VirtualClock

from loggerd.errors import Absent, InstrumentError, Refused, Silent
from loggerd.model.scan import Scan
from loggerd.sources.back_off import LADDER_MS, BackOff
from loggerd.sources.base import DeviceEvent, Sink
from loggerd.sources.polling import PollingLine, Reading

Outcome = tuple[int, InstrumentError | Reading]
"""(milliseconds that it takes, what it gives)."""


@dataclass
class ScriptedReader:
    """Each reading takes as long and ends as `outcome(device, now)` says; `settle` takes `settle_ms`."""

    clock: VirtualClock
    outcome: Callable[[str, int], Outcome]
    settle_ms: int = 0
    read_at: list[tuple[str, int]] = field(default_factory=list)
    closed: int = 0

    async def read(self, device: str) -> Reading:
        self.read_at.append((device, self.clock.mono_ms()))
        milliseconds, result = self.outcome(device, self.clock.mono_ms())
        await self.clock.spend(milliseconds)
        if isinstance(result, InstrumentError):
            raise result
        return result

    async def settle(self) -> None:
        await self.clock.spend(self.settle_ms)

    async def close(self) -> None:
        self.closed += 1


@dataclass
class Caught:
    scans: list[Scan] = field(default_factory=list)
    events: list[DeviceEvent] = field(default_factory=list)

    @property
    def sink(self) -> Sink:
        return Sink(self.scans.append, self.events.append)

    def kinds(self, device: str) -> list[str]:
        return [event.kind for event in self.events if event.device == device]


async def run_for(line: PollingLine, clock: VirtualClock, milliseconds: int) -> Caught:
    caught = Caught()
    task = asyncio.create_task(line.run(caught.sink))
    end_ms = clock.mono_ms() + milliseconds
    await until(lambda: clock.mono_ms() >= end_ms, 0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    return caught


def works(_device: str, _now: int) -> Outcome:
    return 20, Reading((1,))


async def test_the_grid_is_kept_although_readings_take_time() -> None:
    clock = VirtualClock()
    reader = ScriptedReader(clock, works)
    await run_for(PollingLine(clock, {"a": 1_000}, reader), clock, 100_000)
    assert [at for _, at in reader.read_at] == [1_000 + 1_000 * n for n in range(len(reader.read_at))]
    assert reader.closed == 1


async def test_missed_instants_are_counted_and_not_made_up_for() -> None:
    clock = VirtualClock(0)
    reader = ScriptedReader(clock, lambda _d, now: (3_500 if now == 2_000 else 20, Reading((1,))))
    line = PollingLine(clock, {"a": 1_000}, reader)
    await run_for(line, clock, 8_000)
    assert [at for _, at in reader.read_at] == [0, 1_000, 2_000, 5_500, 6_000, 7_000]
    assert line.health["a"].missed == 2


async def test_an_overloaded_line_is_shared_evenly() -> None:
    clock = VirtualClock()
    reader = ScriptedReader(clock, lambda _d, _now: (900, Reading((1,))))
    line = PollingLine(clock, {"a": 1_000, "b": 1_000, "c": 1_000}, reader)
    await run_for(line, clock, 300_000)
    scans = [health.scans for health in line.health.values()]
    assert max(scans) - min(scans) <= 1
    for health in line.health.values():
        assert abs(health.scans + health.missed - 300) <= 3


async def test_one_lost_and_one_back() -> None:
    clock = VirtualClock(0)
    dead = range(10_000, 100_000)
    reader = ScriptedReader(
        clock, lambda device, now: (500, Silent(device, "nothing")) if now in dead else (20, Reading((1,)))
    )
    line = PollingLine(clock, {"a": 1_000}, reader)
    caught = await run_for(line, clock, 200_000)
    assert caught.kinds("a") == ["lost", "back"]
    health = line.health["a"]
    assert health.silent == health.errors_by_kind["Silent"] == 7
    assert health.back_off_until_ms is None
    assert health.polls == health.scans + health.silent == len(reader.read_at)
    assert abs(health.polls + health.missed - 200) <= 1


async def test_the_back_off_ladder_in_the_clock_of_the_line() -> None:
    clock = VirtualClock(0)
    reader = ScriptedReader(clock, lambda device, _now: (0, Silent(device, "nothing")))
    await run_for(PollingLine(clock, {"a": 100}, reader), clock, 120_000)
    instants = [at for _, at in reader.read_at]
    waits = [later - earlier for earlier, later in pairwise(instants)]
    assert waits == [*LADDER_MS, LADDER_MS[-1], LADDER_MS[-1]]


async def test_a_port_that_is_not_there_is_lost_and_back_for_each_device_once() -> None:
    clock = VirtualClock(0)
    gone = range(10_000, 500_000)
    reader = ScriptedReader(
        clock, lambda device, now: (0, Absent(device, "unplugged")) if now in gone else (20, Reading((1,)))
    )
    line = PollingLine(clock, {"a": 1_000, "b": 1_000}, reader)
    caught = await run_for(line, clock, 520_000)
    assert caught.kinds("a") == caught.kinds("b") == ["lost", "back"]
    back = next(at for device, at in reader.read_at if device == "b" and at >= 500_000)
    assert back <= 510_000, "looked for at least every 10 s"


async def test_a_refused_part_is_told_once_and_the_rest_is_read() -> None:
    clock = VirtualClock(0)
    reader = ScriptedReader(clock, lambda _d, _now: (20, Reading((1,), refused="no register 7")))
    line = PollingLine(clock, {"a": 1_000}, reader)
    caught = await run_for(line, clock, 10_000)
    assert caught.kinds("a") == ["refused"]
    assert line.health["a"].scans == line.health["a"].refused == len(caught.scans) == 10


async def test_read_once() -> None:
    clock = VirtualClock()
    line = PollingLine(clock, {"a": 1_000}, ScriptedReader(clock, works))
    assert await line.read_once("a") == Scan("a", (1,))
    refusing = ScriptedReader(clock, lambda device, _now: (0, Refused(device, "no")))
    with pytest.raises(Refused):
        await PollingLine(clock, {"a": 1_000}, refusing).read_once("a")
    with pytest.raises(KeyError):
        await line.read_once("b")


@settings(max_examples=60, deadline=None)
@given(
    period_ms=st.sampled_from((200, 1_000, 5_000)),
    timeout_ms=st.integers(50, 2_000),
    settle_ms=st.integers(0, 3_000),
    fails=st.sampled_from(("always", "every other time", "one in three")),
    fails_with=st.sampled_from((Silent, Refused)),
)
async def test_one_faulty_device_of_five_costs_the_others_at_most_a_tenth(
    period_ms: int, timeout_ms: int, settle_ms: int, fails: str, fails_with: type[InstrumentError]
) -> None:
    """Once its back-off has started, and whatever a failure costs."""
    clock = VirtualClock(0)
    turns = {"always": 1, "every other time": 2, "one in three": 3}[fails]
    tries = 0

    def outcome(device: str, _now: int) -> Outcome:
        nonlocal tries
        if device != "faulty":
            return 30, Reading((1,))
        tries += 1
        return (timeout_ms, fails_with(device, "x")) if tries % turns == 0 else (30, Reading((1,)))

    others = ("a", "b", "c", "d")
    line = PollingLine(clock, dict.fromkeys(("faulty", *others), period_ms), ScriptedReader(clock, outcome, settle_ms))
    cost_ms = timeout_ms + settle_ms
    starting = asyncio.create_task(line.run(Caught().sink))
    await until(lambda: tries >= 2 * turns, 0)
    await asyncio.sleep(0)
    before = {device: (line.health[device].scans, line.health[device].missed) for device in others}
    end_ms = clock.mono_ms() + 100 * cost_ms + 100 * period_ms
    await until(lambda: clock.mono_ms() >= end_ms, 0)
    starting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await starting
    for device in others:
        scans = line.health[device].scans - before[device][0]
        missed = line.health[device].missed - before[device][1]
        assert scans >= 0.9 * (scans + missed), f"{device}: {scans} read, {missed} missed"


def test_a_single_failure_now_and_then_costs_one_step_of_the_ladder() -> None:
    back_off = BackOff()
    for now_ms in range(0, 1_000_000, 100_000):
        assert back_off.failed(now_ms, 2_000, others_answer=True) == now_ms + LADDER_MS[0]
        back_off.succeeded()


def test_alone_on_its_line_a_device_is_tried_as_the_ladder_says() -> None:
    back_off = BackOff()
    assert [back_off.failed(0, 5_000, others_answer=False) for _ in range(6)] == [*LADDER_MS, LADDER_MS[-1]]
