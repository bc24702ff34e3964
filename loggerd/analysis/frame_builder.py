"""Columns of readings to frames. Keeps the open frame and the last readings between pushes."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from operator import attrgetter
from typing import Any

import numpy as np

from loggerd.analysis.cleaning import DeviceColumns, Found
from loggerd.analysis.frames import COUNTED_MARKS, FRAME_MS, MOST_STEPS, Bins, Frame, Layout, OpenFrame, Rows, Step
from loggerd.analysis.intervals import LeadColumns
from loggerd.analysis.lead import Hold
from loggerd.analysis.steps import StepRows, StepWatch
from loggerd.model.marks import Mark
from loggerd.model.scan import Integers

_NO_SUMS: tuple[Integers, Integers, Integers, Integers] = (np.empty(0, dtype=np.int64),) * 4


@dataclass
class FrameBuilder:
    """Bins readings into frames. `least_step_milliamps`: the smallest jump of current that makes a step."""

    layout: Layout
    least_step_milliamps: int
    open: OpenFrame = field(default_factory=OpenFrame)
    last_number: int = -1
    after_unknown: bool = False
    steps: dict[str, StepWatch] = field(default_factory=dict)
    current: Hold = field(default_factory=lambda: Hold(limit_ms=0))

    def push(
        self,
        lead: LeadColumns,
        devices: Mapping[str, DeviceColumns],
        found: list[Found],
        lead_device: str,
        interval_ms: Mapping[str, int],
    ) -> Iterator[Frame]:
        """Frames that these readings close. `interval_ms`: usual time between readings, by device.

        Each is made when it is asked for: most are looked at once, and cost far less if they are not kept meanwhile.
        """
        usual = interval_ms.get(lead_device, 1000)
        first = self.open.number
        bins = {name: Bins.of(device.at_ms, first) for name, device in devices.items() if len(device.at_ms)}
        if not bins:
            return iter(())
        rows = np.unique(np.concatenate([one.numbers for one in bins.values()]))
        table = _Table.over(rows, len(self.layout.names))
        whole = lead_device in bins and len(lead.at_ms) == len(devices[lead_device].at_ms)
        self._add_lead(table, lead, bins[lead_device] if whole else None)
        for name, own in bins.items():
            where = np.searchsorted(rows, own.numbers)
            for channel, values in devices[name].columns.items():
                column = self.layout.index.get(channel)
                if column is not None and column > 1:
                    table.add(column, where, *own.sums(values))
        self._add_marks(table, found)
        table.clock_jumps = self._clock_jumps(table, devices)
        self._add_steps(table, lead, devices, lead_device, interval_ms)
        return self._close(table, lead.session, usual)

    def _numbers(self, at_ms: Integers) -> Integers:
        """Frame of each reading; a reading whose time runs backward stays in the frame before it."""
        numbers = at_ms // FRAME_MS
        if len(numbers) > 1 and (numbers[1:] < numbers[:-1]).any():
            numbers = np.maximum.accumulate(numbers)
        if self.open.number >= 0 and len(numbers) and numbers[0] < self.open.number:
            numbers = np.maximum(numbers, self.open.number)
        return numbers

    def _add_lead(self, table: _Table, lead: LeadColumns, bins: Bins | None) -> None:
        """`bins`: those of its device, where none of its readings was left out."""
        if len(lead.at_ms):
            bins = Bins.of(lead.at_ms, self.open.number) if bins is None else bins
            where = np.searchsorted(table.numbers, bins.numbers)
            table.add(0, where, *bins.sums(lead.milliamps))
            table.add(1, where, *bins.sums(lead.millivolts))

    def _add_marks(self, table: _Table, found: list[Found]) -> None:
        for channel, mark, times in found:
            if mark & COUNTED_MARKS and len(times):
                numbers, counts = np.unique(self._numbers(times), return_counts=True)
                for number, count in zip(numbers.tolist(), counts.tolist(), strict=True):
                    marks = table.marks.setdefault(table.row(number), {})
                    marks[(channel, mark)] = marks.get((channel, mark), 0) + count

    def _clock_jumps(self, table: _Table, devices: Mapping[str, DeviceColumns]) -> dict[int, list[int]]:
        """Jumps of the wall clock [ms] by row. Each device sees the same one, at its next reading."""
        jumps: dict[int, list[int]] = {}
        for device in devices.values():
            for at_ms, jump_ms in device.clock_jumps:
                row = table.row(max(at_ms // FRAME_MS, self.open.number))
                jumps.setdefault(row, []).append(jump_ms)
        return jumps

    def _add_steps(
        self,
        table: _Table,
        lead: LeadColumns,
        devices: Mapping[str, DeviceColumns],
        lead_device: str,
        interval_ms: Mapping[str, int],
    ) -> None:
        self.current.limit_ms = max(interval_ms.get(lead_device, 1000) * 5 // 2, 2_500)
        for name in sorted(devices):
            device = devices[name]
            volts = self._volts(device)
            if not volts or not len(device.at_ms):
                continue
            amps = self._current_at(device.at_ms, lead, name == lead_device)
            watch = self.steps.setdefault(name, StepWatch(name, len(self.layout.names)))
            interval = interval_ms.get(name, 1000)
            if found := watch.push(device.at_ms, amps, volts, self.least_step_milliamps, interval):
                self._put_steps(table, found)
        self.current.keep(lead.at_ms, lead.milliamps)

    def _current_at(self, at_ms: Integers, lead: LeadColumns, own: bool) -> Integers:
        """Current at each reading of a device; the last known one where it was not read. `own`: it is the device that
        measures it, so that few have to be looked for."""
        if own and len(at_ms) == len(lead.at_ms):
            return lead.milliamps
        left_out = lead.left_out
        if not own or left_out is None:
            return self.current.at(at_ms, lead.at_ms, lead.milliamps)
        held = self.current.at(at_ms[left_out], lead.at_ms, lead.milliamps)
        return np.insert(lead.milliamps, left_out - np.arange(len(left_out)), held)

    def _put_steps(self, table: _Table, found: StepRows) -> None:
        """Where the steps of each frame lie among those of one device."""
        numbers = np.maximum(np.array(found.at_ms) // FRAME_MS, self.open.number)
        rows = np.minimum(np.searchsorted(table.numbers, numbers), len(table.numbers) - 1)
        begins = [0, *(np.flatnonzero(rows[1:] != rows[:-1]) + 1).tolist()]
        for row, begin, end in zip(rows[begins].tolist(), begins, [*begins[1:], len(rows)], strict=True):
            table.steps.setdefault(row, []).append((found, begin, end))

    def _volts(self, device: DeviceColumns) -> dict[int, Integers]:
        first, last = self.layout.block_volts.start, self.layout.block_volts.stop
        found = {self.layout.index.get(name, -1): values for name, values in device.columns.items()}
        return {column: values for column, values in found.items() if column == 1 or first <= column < last}

    def _close(self, table: _Table, session: int, interval_ms: int) -> Iterator[Frame]:
        """All frames but the last of the table are closed; the sums of the frame that was open come first."""
        heads = self._heads(table, session)
        closed = self._frames(heads[:-1], table, interval_ms) if len(heads) > 1 else iter(())
        last, row = heads[-1], len(heads) - 1
        last.steps = _with_steps(last.steps, table.steps.get(row, ()))
        last.totals, last.lows = table.totals[row].copy(), table.lows[row].copy()
        last.highs, last.counts = table.highs[row].copy(), table.counts[row].copy()
        self.open = last
        return closed

    def _heads(self, table: _Table, session: int) -> list[OpenFrame]:
        """The frames of the table, the open one added to it; without their sums, which stay in the table."""
        before = self.open if self.open.number >= 0 else None
        if before is not None:
            table.put_in_front(before)
        heads: list[OpenFrame] = []
        for row, number in enumerate(table.numbers.tolist()):
            if before is not None and number == before.number:
                head = before
                if row in table.touched:
                    head.session = session
            else:
                missed = 0 if self.last_number < 0 or self.after_unknown else number - self.last_number - 1
                head = OpenFrame(number, session, self.after_unknown, missed, *_NO_SUMS, [], {})
                self.after_unknown = False
            self.last_number = number
            if row in table.marks:
                head.count(table.marks[row])
            if row in table.clock_jumps:
                head.clock_jump_ms = max(
                    head.clock_jump_ms, *table.clock_jumps[row], key=lambda jump: (abs(jump), jump)
                )
            heads.append(head)
        return heads

    def _frames(self, heads: list[OpenFrame], table: _Table, interval_ms: int) -> Iterator[Frame]:
        rows = Rows(table.totals, table.lows, table.highs, table.counts)
        means, lows, highs, celsius = rows.shown(self.layout)
        covered = np.minimum(table.counts[:, 0] * interval_ms, FRAME_MS).tolist()
        for row, head in enumerate(heads):
            steps = head.steps
            if row in table.steps:
                steps = _with_steps(steps, table.steps[row])
            yield Frame(
                head.number,
                head.session,
                covered[row],
                head.after_unknown,
                head.missed,
                self.layout,
                means[row],
                lows[row],
                highs[row],
                table.counts[row],
                celsius[row],
                _in_order(steps),
                head.marks,
                head.clock_jump_ms,
            )

    def break_off(self, interval_ms: int) -> Iterator[Frame]:
        """A pause of unknown length: the open frame ends with the last reading."""
        closed: Iterator[Frame] = iter(())
        if self.open.number >= 0:
            table = _Table.over(np.array([self.open.number]), len(self.layout.names))
            table.put_in_front(self.open)
            closed = self._frames([self.open], table, interval_ms)
        self.open = OpenFrame()
        self.after_unknown = True
        self.steps = {}
        self.current = Hold(limit_ms=0)
        return closed

    def to_plain(self) -> dict[str, object]:
        return {
            "open": self.open.to_plain() if self.open.number >= 0 else None,
            "last_number": self.last_number,
            "after_unknown": self.after_unknown,
            "steps": {name: watch.to_plain() for name, watch in self.steps.items()},
            "current": self.current.to_plain(),
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self.open = OpenFrame.from_plain(plain["open"]) if plain["open"] else OpenFrame()
        self.last_number, self.after_unknown = plain["last_number"], plain["after_unknown"]
        for name, kept in plain["steps"].items():
            self.steps[name] = StepWatch(name, len(self.layout.names))
            self.steps[name].load_plain(kept)
        self.current.load_plain(plain["current"])


def _with_steps(kept: list[Step], pieces: Iterable[tuple[StepRows, int, int]]) -> list[Step]:
    """The steps that a frame has, and more of them: of each device the first few only."""
    steps, room = [*kept], dict[str, int]()
    for step in kept:
        room[step.device] = room.get(step.device, MOST_STEPS) - 1
    for found, begin, end in pieces:
        left = room.get(found.device, MOST_STEPS)
        last = min(begin + left, end)
        steps += found.made(begin, last)
        room[found.device] = left - (last - begin)
    return steps


def _in_order(steps: list[Step]) -> tuple[Step, ...]:
    if len(steps) > 1:
        steps.sort(key=_PLACE)
    return tuple(steps)


_PLACE = attrgetter("at_ms", "device")


@dataclass
class _Table:
    """Sums of several frames side by side: (f, c) by frame and column."""

    numbers: Integers
    totals: Integers
    lows: Integers
    highs: Integers
    counts: Integers
    steps: dict[int, list[tuple[StepRows, int, int]]] = field(default_factory=dict)
    """By row, where its steps lie among those of a device."""
    marks: dict[int, dict[tuple[str, Mark], int]] = field(default_factory=dict)
    clock_jumps: dict[int, list[int]] = field(default_factory=dict)
    added: int = 0
    known: list[int] = field(default_factory=list)
    """The numbers once more, made when first asked for."""

    @staticmethod
    def over(numbers: Integers, width: int) -> _Table:
        shape = (len(numbers), width)
        limits = np.iinfo(np.int64)
        return _Table(
            numbers,
            np.zeros(shape, dtype=np.int64),
            np.full(shape, limits.max),
            np.full(shape, limits.min),
            np.zeros(shape, dtype=np.int64),
        )

    def row(self, number: int) -> int:
        """Row of a frame; of one that has no readings here, the next that has."""
        if not self.known:
            self.known = self.numbers.tolist()
        return min(bisect_left(self.known, number), len(self.known) - 1)

    def add(
        self, column: int, rows: Integers, totals: Integers, lows: Integers, highs: Integers, counts: Integers
    ) -> None:
        self.totals[rows, column] += totals
        self.lows[rows, column] = np.minimum(self.lows[rows, column], lows)
        self.highs[rows, column] = np.maximum(self.highs[rows, column], highs)
        self.counts[rows, column] += counts

    @property
    def touched(self) -> range:
        """Rows that have readings of this push."""
        return range(self.added, len(self.numbers))

    def put_in_front(self, frame: OpenFrame) -> None:
        """Add the sums of an open frame: to its row, or as a row before the others."""
        if self.numbers[0] != frame.number:
            self.added = 1
            self.numbers, self.known = np.concatenate([[frame.number], self.numbers]), []
            self.steps = {row + 1: steps for row, steps in self.steps.items()}
            self.marks = {row + 1: marks for row, marks in self.marks.items()}
            self.clock_jumps = {row + 1: jumps for row, jumps in self.clock_jumps.items()}
            for name in ("totals", "lows", "highs", "counts"):
                setattr(self, name, np.concatenate([getattr(frame, name)[None, :], getattr(self, name)]))
            return
        self.totals[0] += frame.totals
        self.lows[0] = np.minimum(self.lows[0], frame.lows)
        self.highs[0] = np.maximum(self.highs[0], frame.highs)
        self.counts[0] += frame.counts
