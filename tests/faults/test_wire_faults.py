"""20,000 RTU transactions, half of them faulty in every way a wire can fail: none may give a wrong value.

Each register tells its address and the number of the request it answers, so an answer to another request
shows at once. The same is done without the gate: there wrong values must be seen, or the judge could not see
them here either.
"""

from __future__ import annotations

import asyncio
import logging
import random
from collections import Counter
from dataclasses import dataclass, field

import pytest
import rtu_slave as wire
from pymodbus import FramerType, ModbusException
from pymodbus.client import AsyncModbusSerialClient

from loggerd.errors import InstrumentError
from loggerd.sources.rtu_gate import RtuWire
from loggerd.sources.rtu_port import RtuConnection
from loggerd.sources.wire import ExceptionAnswer, Request

TIMEOUT_MS = 30
QUIET_MS = 90
LINES = 25
DEVICE_IDS = (1, 2, 3)

FAULTS: dict[str, wire.Fault] = {
    "silence": wire.silence,
    "late by little": wire.late(1.05 * TIMEOUT_MS / 1000, 2 * TIMEOUT_MS / 1000),
    "late by much": wire.late(2 * TIMEOUT_MS / 1000, (TIMEOUT_MS + 0.9 * QUIET_MS) / 1000),
    "late behind an exception": wire.late_behind_exception((TIMEOUT_MS + 0.5 * QUIET_MS) / 1000),
    "echo": wire.echo,
    "echo alone": wire.echo_alone,
    "collision": wire.collision,
    "other unit": wire.other_unit,
    "other unit first": wire.other_unit_first,
    "truncated": wire.truncated,
    "bad checksum": wire.bad_checksum,
    "noise before": wire.noise_before,
    "noise after": wire.noise_after,
    "noise inside": wire.noise_inside,
    "noise alone": wire.noise_alone,
    "duplicate": wire.duplicate,
    "split": wire.split,
    "exception": wire.exception,
    "wrong byte count": wire.wrong_byte_count,
    "fewer registers": wire.fewer_registers,
    "wrong function": wire.wrong_function,
}
STILL_RIGHT = {"none", "echo", "duplicate", "split", "other unit first"}
"""Faults behind which the right answer is there whole, and should be used."""


@dataclass
class FaultyLine:
    """A line whose devices fail in about half of their answers, each fault as often as the others."""

    seed: int
    choice: tuple[str, ...] = tuple(FAULTS)
    device_ids: tuple[int, ...] = DEVICE_IDS
    lengths: tuple[int, ...] = (2, 2, 2, 4)
    """Few, so that an answer to another request often has the right one."""
    kinds: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._random = random.Random(self.seed)
        self.slave = wire.RtuSlave(self.device_ids, self._choose, seed=self.seed)

    def _choose(self, _asked: wire.Asked) -> wire.Fault | None:
        kind = self._random.choice(self.choice) if self._random.random() < 0.5 else "none"
        self.kinds.append(kind)
        # A device needs some time even for a right answer: into that gap a late one could slip.
        return FAULTS.get(kind, wire.late(0.001, 0.01))

    def any_request(self) -> Request:
        return Request(
            "device",
            self._random.choice(self.device_ids),
            self._random.choice(("holding", "holding", "input")),
            self._random.randrange(0, 60000),
            self._random.choice(self.lengths),
        )

    def is_right(self, request: Request, values: tuple[int, ...]) -> bool:
        """Whether these are what the devices had at the time of this request, which must be the last they
        heard.
        """
        asked = self.slave.asked[-1]
        if (asked.device_id, asked.address) != (request.device_id, request.address):
            return False
        return values == tuple(wire.word_of(asked, request.address + i) for i in range(request.count))


async def _gated(
    line: FaultyLine, transactions: int, outcomes: Counter[tuple[str, str]], quiet_ms: int = QUIET_MS
) -> None:
    gate = RtuWire(RtuConnection(line.slave.path, 115200, "N", 1, TIMEOUT_MS, quiet_ms))
    for _ in range(transactions):
        request = line.any_request()
        try:
            answer = await gate.read(request)
        except InstrumentError as error:
            outcomes[line.kinds[-1], type(error).__name__] += 1
            continue
        if isinstance(answer, ExceptionAnswer):
            outcomes[line.kinds[-1], "refused"] += 1
            continue
        right = line.is_right(request, answer)
        outcomes[line.kinds[-1], "right" if right else "WRONG"] += 1
    assert len(line.slave.asked) == transactions, "each transaction sends one request, and only one"
    await gate.close()
    line.slave.unplug()


def _total(outcomes: Counter[tuple[str, str]], outcome: str) -> int:
    return sum(number for (_, which), number in outcomes.items() if which == outcome)


async def _run_gated(transactions: int) -> Counter[tuple[str, str]]:
    outcomes: Counter[tuple[str, str]] = Counter()
    share = transactions // LINES
    await asyncio.gather(*(_gated(FaultyLine(seed), share, outcomes) for seed in range(LINES)))
    for (kind, outcome), number in sorted(outcomes.items()):
        print(f"{kind:26} {outcome:10} {number:6}")
    return outcomes


def _judge(outcomes: Counter[tuple[str, str]], transactions: int) -> None:
    assert outcomes.total() == transactions
    assert _total(outcomes, "WRONG") == 0
    faultless = sum(number for (kind, _), number in outcomes.items() if kind == "none")
    assert 0.45 * transactions < faultless < 0.55 * transactions
    for kind in STILL_RIGHT:
        met = sum(number for (which, _), number in outcomes.items() if which == kind)
        assert outcomes[kind, "right"] >= 0.9 * met, f"{kind}: readings are lost that could be used"


async def test_no_wrong_value_in_a_thousand_faulty_transactions() -> None:
    _judge(await _run_gated(1_000), 1_000)


@pytest.mark.long
@pytest.mark.timeout(900)
async def test_no_wrong_value_in_twenty_thousand_faulty_transactions() -> None:
    _judge(await _run_gated(20_000), 20_000)


@pytest.mark.parametrize("quiet_ms", [QUIET_MS, 0])
async def test_late_answers_are_wrong_values_without_the_quiet_time_and_none_with_it(quiet_ms: int) -> None:
    """Negative control of the gate's one rule: nothing else that it checks is enough."""
    outcomes: Counter[tuple[str, str]] = Counter()
    late = ("late by little", "late by much")
    lines = [FaultyLine(seed, late, device_ids=(1,), lengths=(2,)) for seed in range(10)]
    await asyncio.gather(*(_gated(line, 100, outcomes, quiet_ms) for line in lines))
    print(f"quiet {quiet_ms} ms: {_total(outcomes, 'right')} right, {_total(outcomes, 'WRONG')} wrong")
    assert _total(outcomes, "right") > 200
    assert _total(outcomes, "WRONG") > 5 if quiet_ms == 0 else _total(outcomes, "WRONG") == 0


async def test_without_the_gate_wrong_values_are_seen() -> None:
    """Negative control: the library alone, with the same faults and the same judge."""
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    wrong = right = 0
    line = FaultyLine(seed=7)
    client = AsyncModbusSerialClient(
        line.slave.path, framer=FramerType.RTU, baudrate=115200, timeout=TIMEOUT_MS / 1000, retries=0
    )
    assert await client.connect()
    for _ in range(300):
        request = line.any_request()
        call = client.read_holding_registers if request.table == "holding" else client.read_input_registers
        try:
            answer = await call(request.address, count=request.count, device_id=request.device_id)
        except ModbusException:
            continue
        if answer.isError():
            continue
        if line.is_right(request, tuple(answer.registers)):
            right += 1
        else:
            wrong += 1
    client.close()
    line.slave.unplug()
    print(f"without the gate: {right} right, {wrong} wrong")
    assert right > 100
    assert wrong > 5
