"""A simulated site: its banks stepped in time, its history as raw counts, and its instruments served live."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass

import numpy as np

from loggerd.clock import Clock
from simulators.bank_model import LONGEST_STEP_SECONDS, BankModel
from simulators.faults import BankFault, Fault, SensorFault, apply_bank_fault
from simulators.instruments.instrument import Instrument
from simulators.scenarios import BankPlan, Scenario
from simulators.truth import Integers, Truth

HISTORY_ROWS = 3600
"""Most scans in one block of history."""
_CATCH_UP_SECONDS = 0.2
_SHORTEST_STEP_SECONDS = 0.2


@dataclass(frozen=True)
class HistoryBlock:
    """Scans of one device: epoch milliseconds, and one column of raw counts for each of its channels, in their order.

    For a register instrument `RegisterInstrument.words` makes the register images of `np.column_stack(counts)`.
    """

    device: str
    at_ms: Integers
    counts: tuple[Integers, ...]


class SimulatedBank:
    """One bank at work: model, loads, chargers, and faults that wait for their time."""

    def __init__(self, plan: BankPlan, seed: int, faults: Sequence[BankFault], local_start: float) -> None:
        self.bank = plan.bank
        self.model = BankModel(plan.parameters, seed)
        self.controller = plan.controller(seed)
        self.net_amp_hours = 0.0
        self._waiting = sorted(faults, key=lambda fault: fault.begin_seconds)
        self._local_start = local_start
        state = self.model.state
        state.ambient_celsius = self.controller.demand(local_start, 0.0, state).ambient_celsius

    def step(self, seconds: float, step_seconds: float) -> None:
        """Step from `seconds` after the site's beginning on."""
        while self._waiting and self._waiting[0].begin_seconds <= seconds:
            apply_bank_fault(self._waiting.pop(0), self.model, self.controller.chargers)
        demand = self.controller.demand(self._local_start + seconds, step_seconds, self.model.state)
        state = self.model.step(step_seconds, demand)
        self.net_amp_hours += state.amps * step_seconds / 3600.0

    def write(self, truth: Truth, row: int, seconds: float) -> None:
        """Write how the bank stands now into a row."""
        state = self.model.state
        truth.seconds[row] = seconds
        truth.volts[row] = state.volts
        truth.amps[row] = state.amps
        truth.net_amp_hours[row] = self.net_amp_hours
        truth.ambient_celsius[row] = state.ambient_celsius
        truth.string_amps[row] = state.string_amps
        truth.block_volts[row] = state.block_volts
        truth.block_celsius[row] = state.block_celsius

    def empty_truth(self, rows: int) -> Truth:
        return Truth.empty(rows, self.bank.strings, self.bank.blocks)


class SimulatedSite:
    """Begins at `start_ms` (epoch). The same scenario, seed, faults and steps give the same history."""

    def __init__(self, scenario: Scenario, seed: int = 0, faults: Sequence[Fault] = (), start_ms: int = 0) -> None:
        self.scenario = scenario
        self.start_ms = start_ms
        self.seconds = 0.0
        local_start = start_ms / 1000.0 + scenario.utc_offset_hours * 3600.0
        self.banks = {
            plan.bank.name: SimulatedBank(plan, seed + number, _of_bank(faults, plan.bank.name), local_start)
            for number, plan in enumerate(scenario.banks)
        }
        sensor_faults = tuple(fault for fault in faults if isinstance(fault, SensorFault))
        _check_names(faults, self.banks, scenario.devices())
        for device in scenario.devices():
            device.prepare(seed, sensor_faults)
        self._clock: Clock | None = None
        self._catching_up: asyncio.Task[None] | None = None

    @property
    def now_ms(self) -> int:
        """Epoch milliseconds up to which the site has lived."""
        return self.start_ms + round(self.seconds * 1000.0)

    def advance_to(self, seconds: float, step_seconds: float = 60.0) -> None:
        """Live on until `seconds` after the beginning, in equal steps no longer than `step_seconds` (at most 300)."""
        left = seconds - self.seconds
        if left <= 0.0:
            return
        begin, count = self.seconds, math.ceil(left / min(step_seconds, LONGEST_STEP_SECONDS) - 1e-9)
        for number in range(count):
            self._step(left / count)
            self.seconds = begin + left * (number + 1) / count

    def _step(self, step_seconds: float) -> None:
        for bank in self.banks.values():
            bank.step(self.seconds, step_seconds)

    def history(self, start_ms: int, end_ms: int, step_seconds: float) -> Iterator[list[HistoryBlock]]:
        """Live from `start_ms` to `end_ms`, scanning at the end of every step; one list of blocks per HISTORY_ROWS.

        A silent device has no row. Raises ValueError if the site is already past `start_ms`.
        """
        if start_ms < self.now_ms:
            raise ValueError(f"history from {start_ms} ms; this site has already lived until {self.now_ms} ms")
        self.advance_to((start_ms - self.start_ms) / 1000.0)
        steps = int((end_ms - start_ms) / 1000.0 / step_seconds)
        for first in range(0, steps, HISTORY_ROWS):
            rows = min(HISTORY_ROWS, steps - first)
            truths = self._live_through(rows, step_seconds)
            yield [self._block(device, truths[device.bank]) for device in self.scenario.devices()]

    def _live_through(self, rows: int, step_seconds: float) -> dict[str, Truth]:
        truths = {name: bank.empty_truth(rows) for name, bank in self.banks.items()}
        begin = self.seconds
        for row in range(rows):
            self._step(step_seconds)
            self.seconds = begin + (row + 1) * step_seconds
            for name, bank in self.banks.items():
                bank.write(truths[name], row, self.seconds)
        return truths

    def _block(self, device: Instrument, truth: Truth) -> HistoryBlock:
        counts = device.counts(truth)
        at_ms = self.start_ms + np.rint(truth.seconds * 1000.0).astype(np.int64)
        alive = ~device.dead(truth.seconds)
        return HistoryBlock(device.name, at_ms[alive], tuple(np.ascontiguousarray(counts[alive].T)))

    # -- live --------------------------------------------------------------------------------------------------

    async def start(self, clock: Clock) -> None:
        """Go on live by this clock's wall time and serve the instruments on their wires."""
        self._clock = clock
        self._catch_up()
        try:
            for wire in self.scenario.wires:
                await wire.start(self)
        except BaseException:
            await self.stop()
            raise
        self._catching_up = asyncio.create_task(self._keep_up())

    async def stop(self) -> None:
        """Stop serving. The site keeps its state and may be started again."""
        if self._catching_up is not None:
            self._catching_up.cancel()
            with suppress(asyncio.CancelledError):
                await self._catching_up
            self._catching_up = None
        for wire in self.scenario.wires:
            await wire.stop()
        self._clock = None

    def truth(self, bank: str) -> Truth:
        """One row: what the bank does now. Live, the site first catches up with its clock."""
        self._catch_up()
        truth = self.banks[bank].empty_truth(1)
        self.banks[bank].write(truth, 0, self.seconds)
        return truth

    async def wait_seconds(self, seconds: float) -> None:
        """Let so many seconds of the clock pass. Raises RuntimeError if the site is not live."""
        if self._clock is None:
            raise RuntimeError("the site is not live")
        await self._clock.sleep_until(self._clock.mono_ms() + round(seconds * 1000.0))

    def _catch_up(self) -> None:
        if self._clock is None:
            return
        target = (self._clock.wall_ms() - self.start_ms) / 1000.0
        behind = target - self.seconds
        if behind >= _SHORTEST_STEP_SECONDS:
            self.advance_to(target, step_seconds=max(1.0, behind / 60.0))

    async def _keep_up(self) -> None:
        while True:
            self._catch_up()
            await asyncio.sleep(_CATCH_UP_SECONDS)


def _of_bank(faults: Sequence[Fault], bank: str) -> list[BankFault]:
    return [fault for fault in faults if isinstance(fault, BankFault) and fault.bank == bank]


def _check_names(faults: Sequence[Fault], banks: dict[str, SimulatedBank], devices: Sequence[Instrument]) -> None:
    names = {device.name for device in devices}
    for fault in faults:
        if isinstance(fault, BankFault) and fault.bank not in banks:
            raise ValueError(f'fault in bank "{fault.bank}"; the scenario has {", ".join(banks)}')
        if isinstance(fault, SensorFault) and fault.device not in names:
            raise ValueError(f'fault in device "{fault.device}"; the scenario has {", ".join(sorted(names))}')
