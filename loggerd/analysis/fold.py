"""The fold of one bank: readings in, settled ledger entries and marks out. Pure; its state is a plain value.

Live service, replay and recomputation run this same code. `push` takes all scans of all devices of the bank up to one
common instant; how the readings are grouped into pushes makes no difference to the entries, to the last bit.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from loggerd.analysis.axis import SessionAxis
from loggerd.analysis.cleaning import ColumnCleaner, DeviceColumns
from loggerd.analysis.figures.catalogue import Context
from loggerd.analysis.intake import SpanTracker
from loggerd.analysis.intervals import LeadColumns
from loggerd.analysis.lead import CounterReader, Hold, LeadChoice, choose_lead, total
from loggerd.analysis.ledgers import Ledgers
from loggerd.analysis.phases import PhaseBuilder
from loggerd.analysis.plan import RULES_VERSION, BankPlan, thresholds
from loggerd.analysis.runs import RunBuilder, SideColumn
from loggerd.analysis.stretch import LEFT_OUT, Stretch
from loggerd.analysis.stuck import StuckWatch
from loggerd.decoding.scaling import scale_at
from loggerd.model.channels import MISSING
from loggerd.model.ledger import Entry, FoldResults, MarkSpan
from loggerd.model.marks import Mark
from loggerd.model.scan import ScanBlock

PIECE = 32_768
"""Scans folded at a time: pieces that stay in the processor's cache are the fastest."""
_LATEST = 2**62
_DEFAULT_INTERVAL_MS = 1000


class BankFold:
    """The state machine of one bank. dump() and load() make and take a checkpoint."""

    def __init__(self, plan: BankPlan) -> None:
        self.plan = plan
        self.choice = choose_lead(plan.bank, plan.series)
        self._session: int | None = None
        self._cleaner = ColumnCleaner(plan)
        self._spans = SpanTracker()
        self._bank = _LeadFold(plan, self.choice) if self.choice is not None else None

    def push(self, axis: SessionAxis, blocks: Sequence[ScanBlock]) -> FoldResults:
        """Fold all scans of the bank's devices up to one common instant of a session."""
        entries: list[Entry] = []
        marks: list[MarkSpan] = []
        blocks = [block for block in blocks if len(block)]
        if not blocks:
            return FoldResults()
        if self._session != axis.session:
            if self._session is not None and axis.gap_unknown and self._bank is not None:
                broken = self._bank.break_off()
                entries.extend(broken.entries)
                marks.extend(broken.marks)
            self._session = axis.session
            if self._bank is not None:
                self._bank.set_interval(axis.interval_ms.get(self._bank.choice.device))
        for piece in _pieces(blocks):
            devices, found = self._cleaner.push(axis, piece)
            if self._bank is not None:
                settled = self._bank.push(axis.session, devices, found)
                entries.extend(settled.entries)
                marks.extend(settled.marks)
            for channel, mark, at_ms in found:
                marks.extend(self._spans.add(channel, mark, axis.session, at_ms))
        latest = max(int(block.mono_ms[-1]) for block in blocks) + axis.offset_ms
        marks.extend(self._spans.settle(latest, self._cleaner.undecided()))
        return FoldResults(tuple(entries), tuple(marks))

    def view(self) -> FoldResults:
        """What is not settled yet, as it would stand if the record ended here, `complete` False. No side effects.

        Entries that the end of the record would complete come first and are `complete`.
        """
        copy = BankFold(self.plan)
        copy.load(self.dump())
        last = copy._bank.finish() if copy._bank is not None else FoldResults()
        return FoldResults(last.entries, (*last.marks, *copy._spans.finish()))

    def dump(self) -> bytes:
        """The whole state as JSON text: whole numbers and floats that read back exactly."""
        plain = {
            "rules": RULES_VERSION,
            "session": self._session,
            "cleaner": self._cleaner.to_plain(),
            "spans": self._spans.to_plain(),
            "bank": self._bank.to_plain() if self._bank is not None else None,
        }
        return json.dumps(plain, separators=(",", ":")).encode()

    def load(self, state: bytes) -> None:
        """Take up a state made by dump(). Raises ValueError if other rules made it."""
        plain = json.loads(state)
        if plain["rules"] != RULES_VERSION:
            raise ValueError(f"state made by rules {plain['rules']}, these are rules {RULES_VERSION}")
        self._session = plain["session"]
        self._cleaner.load_plain(plain["cleaner"])
        self._spans.load_plain(plain["spans"])
        if self._bank is not None:
            self._bank.load_plain(plain["bank"])


class _LeadFold:
    """What follows from the current: runs, phases, ledgers."""

    def __init__(self, plan: BankPlan, choice: LeadChoice) -> None:
        scale = scale_at(choice.reading.scales, _LATEST)
        limits = replace(thresholds(plan.bank, scale), count_step=_count_step(plan, choice))
        self.plan = plan
        self.choice = choice
        self.limits = limits
        jump = max(4 * limits.noise, limits.high, plan.bank.rated_amp_hours * 1000 / 50)
        self._runs = RunBuilder(limits, 0, round(jump))
        self._phases = PhaseBuilder(plan.rules.dwell_ms, limits.high)
        self._ledgers = Ledgers(plan, Context(plan, limits, _volts_gain(plan)))
        most = max(abs(scale.valid[0]), abs(scale.valid[1]))
        self._counter = CounterReader(most, len(choice.counters) > 1)
        self._volts = Hold(limit_ms=30_000)
        self._stuck = StuckWatch(plan.bank.rated_amp_hours, _judged(plan, choice))
        self._gap_unknown = False
        self._interval = _DEFAULT_INTERVAL_MS
        self.set_interval(None)

    def set_interval(self, interval_ms: int | None) -> None:
        """Take up the usual time between readings of the current, from this session on."""
        interval = self._interval = interval_ms or _DEFAULT_INTERVAL_MS
        self._runs.gap_ms = max(interval * 5 // 2, interval + 2000)
        self._phases.dwell_ms = max(self.plan.rules.dwell_ms, interval * 5 // 2)
        self._volts.limit_ms = max(10 * interval, 30_000)

    def push(
        self, session: int, devices: dict[str, DeviceColumns], found: list[tuple[str, Mark, np.ndarray]]
    ) -> FoldResults:
        lead = self._lead(session, devices, found)
        self._mark_gaps(lead, found)
        runs = self._runs.push(lead, self._sides(devices))
        return self._to_ledgers(runs)

    def _to_ledgers(self, runs: list[Stretch]) -> FoldResults:
        phases = self._phases.push(runs)
        running = self._runs.open
        if running is not None and self._phases.changes_with(running):
            phases.extend(self._phases.push([self._runs.cut_open()]))
        marks = self._stuck.push(phases)
        entries = self._ledgers.push(phases, self._gap_unknown)
        if phases:
            self._gap_unknown = False
        return FoldResults(tuple(entries), tuple(marks))

    def _lead(
        self, session: int, devices: dict[str, DeviceColumns], found: list[tuple[str, Mark, np.ndarray]]
    ) -> LeadColumns:
        device = devices.get(self.choice.device)
        if device is None:
            device = DeviceColumns(_EMPTY, {})
        amps = total([_column(device, name) for name in self.choice.amps])
        good = amps != MISSING if len(amps) and amps.min() == MISSING else None
        at_ms, amps = (device.at_ms, amps) if good is None else (device.at_ms[good], amps[good])
        volts = self._lead_volts(devices, device, at_ms, good)
        counter = None
        if self.choice.counters:
            columns = [_column(device, name) for name in self.choice.counters]
            columns = columns if good is None else [column[good] for column in columns]
            counter, resets = self._counter.push(at_ms, columns)
            if len(resets):
                found.append((self.choice.counters[0], Mark.COUNTER_RESET, resets))
        return LeadColumns(session, at_ms, amps, volts, counter, self.choice.averaged)

    def _lead_volts(
        self,
        devices: dict[str, DeviceColumns],
        device: DeviceColumns,
        at_ms: np.ndarray,
        good: np.ndarray | None,
    ) -> np.ndarray:
        """Bank voltage at each current: of the same device, or the last one another device read."""
        source = self.choice.volts_device
        if source == self.choice.device:
            volts = _column(device, "volts")
            return volts if good is None else volts[good]
        other = devices.get(source) if source else None
        if other is None:
            return self._volts.at(at_ms, _EMPTY, _EMPTY)
        readings = _column(other, "volts")
        volts = self._volts.at(at_ms, other.at_ms, readings)
        self._volts.keep(other.at_ms, readings)
        return volts

    def _sides(self, devices: dict[str, DeviceColumns]) -> list[SideColumn]:
        sides = []
        for device in devices.values():
            for name, values in device.columns.items():
                if name not in _NOT_A_SIDE:
                    sides.append(SideColumn(name, device.at_ms, values))
        times = [when for device in devices.values() for when in device.left_out]
        if times:
            at_ms = np.sort(np.concatenate(times))
            sides.append(SideColumn(LEFT_OUT, at_ms, np.ones(len(at_ms), dtype=np.int64)))
        return sides

    def _mark_gaps(self, lead: LeadColumns, found: list[tuple[str, Mark, np.ndarray]]) -> None:
        before = self._runs.previous
        interval = np.diff(lead.at_ms, prepend=before.at_ms if before else lead.at_ms[:1])
        if len(interval) and int(interval.max()) > self._runs.gap_ms:
            found.append((self.choice.amps[0], Mark.GAP_BEFORE, lead.at_ms[interval > self._runs.gap_ms]))

    def break_off(self) -> FoldResults:
        """A pause of unknown length: whatever is under way ends with the last reading."""
        phases = self._end()
        marks = self._stuck.push(phases)
        entries = self._ledgers.push(phases, self._gap_unknown)
        self._gap_unknown = True
        return FoldResults(tuple(entries), tuple(marks))

    def _end(self) -> list[Stretch]:
        phases = self._phases.push(self._runs.break_off())
        return phases + self._phases.finish()

    def finish(self) -> FoldResults:
        """What stands open. Spends this object."""
        phases = self._end()
        marks = [*self._stuck.push(phases), *self._stuck.finish()]
        entries = self._ledgers.push(phases[:-1], self._gap_unknown)
        unknown = self._gap_unknown and len(phases) == 1
        entries += self._ledgers.unfinished(phases[-1] if phases else None, unknown)
        return FoldResults(tuple(entries), tuple(marks))

    def to_plain(self) -> dict[str, object]:
        return {
            "runs": self._runs.to_plain(),
            "phases": self._phases.to_plain(),
            "ledgers": self._ledgers.to_plain(),
            "counter": self._counter.to_plain(),
            "volts": self._volts.to_plain(),
            "stuck": self._stuck.to_plain(),
            "gap_unknown": self._gap_unknown,
            "interval": self._interval,
        }

    def load_plain(self, plain: dict[str, dict[str, object]]) -> None:
        self._runs.load_plain(plain["runs"])
        self._phases.load_plain(plain["phases"])
        self._ledgers.load_plain(plain["ledgers"])  # type: ignore[arg-type]
        self._counter.load_plain(plain["counter"])
        self._volts.load_plain(plain["volts"])  # type: ignore[arg-type]
        self._stuck.load_plain(plain["stuck"])  # type: ignore[arg-type]
        self._gap_unknown = bool(plain["gap_unknown"])
        self.set_interval(int(plain["interval"]))  # type: ignore[call-overload]


_EMPTY = np.empty(0, dtype=np.int64)
_NOT_A_SIDE = frozenset({"amps", "volts", "net_amp_hours", "charged_amp_hours", "discharged_amp_hours"})


def _column(device: DeviceColumns, name: str) -> np.ndarray:
    column = device.columns.get(name)
    return column if column is not None else np.full(len(device.at_ms), MISSING, dtype=np.int64)


def _judged(plan: BankPlan, choice: LeadChoice) -> frozenset[str]:
    """Channels that may be found stuck. A current made of several is known as "amps" in sums, but is no channel."""
    names = frozenset(series.channel.name for series in plan.series.values())
    return names if choice.amps == ("amps",) else names - {"amps"}


def _count_step(plan: BankPlan, choice: LeadChoice) -> float:
    """One step of the counter that is integrated [Ah]; 0 without one."""
    steps = [
        scale_at(series.scales, _LATEST).accuracy.resolution
        for series in plan.series.values()
        if series.device == choice.device and series.channel.name in choice.counters
    ]
    return max(steps, default=0.0)


def _volts_gain(plan: BankPlan) -> float:
    for series in plan.series.values():
        if series.channel.name == "volts":
            return scale_at(series.scales, _LATEST).accuracy.gain or 0.0
    return 0.0


def _pieces(blocks: Sequence[ScanBlock]) -> Iterator[list[ScanBlock]]:
    """The blocks in pieces of at most PIECE scans a device, all devices cut at one common instant."""
    largest = max(blocks, key=len)
    if len(largest) <= PIECE:
        yield list(blocks)
        return
    bounds = [int(largest.mono_ms[stop - 1]) for stop in range(PIECE, len(largest), PIECE)]
    begins = [0] * len(blocks)
    for bound in [*bounds, _LATEST]:
        piece = []
        for number, block in enumerate(blocks):
            stop = int(np.searchsorted(block.mono_ms, bound, side="right"))
            if stop > begins[number]:
                piece.append(block.slice(begins[number], stop))
            begins[number] = stop
        if piece:
            yield piece
