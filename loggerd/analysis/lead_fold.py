"""The part of a bank's fold that follows from its current: which series are read, runs, phases and ledgers."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import replace
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

from loggerd.analysis.axis import SessionAxis
from loggerd.analysis.cleaning import DeviceColumns, Found
from loggerd.analysis.entered_log import END_OF_RECORD
from loggerd.analysis.figures.catalogue import Context
from loggerd.analysis.findings.watch import FindingsWatch
from loggerd.analysis.intervals import LeadColumns
from loggerd.analysis.lead import CounterReader, Hold, LeadChoice, choose_lead, total
from loggerd.analysis.ledgers import Ledgers
from loggerd.analysis.phases import PhaseBuilder
from loggerd.analysis.plan import UNSTATED_VOLTS_GAIN, BankPlan, thresholds
from loggerd.analysis.runs import RunBuilder, SideColumn
from loggerd.analysis.stretch import LEFT_OUT, Stretch
from loggerd.analysis.stuck import StuckWatch
from loggerd.model.bank import Series
from loggerd.model.channels import MISSING
from loggerd.model.finding import Finding
from loggerd.model.marks import Mark
from loggerd.model.results import FoldResults

Devices: TypeAlias = dict[str, DeviceColumns]
_DEFAULT_INTERVAL_MS = 1000


class LeadFold:
    """What follows from the current: runs, phases, ledgers.

    Which series are read is chosen at the beginning of each session, from the devices read in it; thresholds and
    accuracies go by the dated settings in force at the readings.
    """

    def __init__(self, plan: BankPlan, choice: LeadChoice) -> None:
        self.plan = plan
        self.choice: LeadChoice | None = choice
        self._settings_at = 0
        self._interval_ms: dict[str, int] = {}
        self._runs = RunBuilder(thresholds(plan.bank, choice.current_scale(0)), 0, 0)
        self._phases = PhaseBuilder(plan.rules.dwell_ms, 0)
        self._ledgers = Ledgers(plan, self._context(choice, 0))
        self._counter = CounterReader(0, round(plan.bank.rated_amp_hours * 1000), len(choice.counters) > 1)
        self._volts = Hold(limit_ms=0)
        self._strings: dict[str, Hold] = {}
        self._stuck = StuckWatch(plan.bank.rated_amp_hours, _judged(plan))
        self._seen: dict[str, int] = {}
        self._gap_unknown = False
        self._findings = FindingsWatch(plan, choice) if plan.limits else None
        self._set_interval()
        self._set_limits()

    # -- what is in force --

    def take_up_session(self, axis: SessionAxis) -> None:
        """Choose what is read in this session, and take up how often."""
        before = self.choice
        self._interval_ms = dict(axis.interval_ms)
        self.choice = choose_lead(self.plan.bank, self.plan.series, self._interval_ms)
        if self.choice is None:
            return
        if before is None or before.counters != self.choice.counters:
            rated = round(self.plan.bank.rated_amp_hours * 1000)
            self._counter = CounterReader(0, rated, len(self.choice.counters) > 1)
        if before is None or before.volts != self.choice.volts:
            self._volts = Hold(limit_ms=0)
        if before is None or before.amps != self.choice.amps:
            self._strings = {}
        self._set_interval()
        self._set_limits()

    @property
    def changes_ms(self) -> list[int]:
        """Instants at which the settings in force may change."""
        return self.choice.changes_ms() if self.choice is not None else []

    def take_up_settings(self, at_ms: int) -> None:
        """Take up the dated settings in force at an instant; no piece of readings reaches over a change."""
        if bisect_right(self.changes_ms, at_ms) != bisect_right(self.changes_ms, self._settings_at):
            self._settings_at = at_ms
            self._set_limits()

    def _set_interval(self) -> None:
        choice = self.choice
        assert choice is not None
        interval = self._interval_ms.get(choice.device, _DEFAULT_INTERVAL_MS)
        volts_interval = self._interval_ms.get(choice.volts.device, interval) if choice.volts else interval
        self._runs.gap_ms = _gap_ms(interval)
        self._phases.dwell_ms = max(self.plan.rules.dwell_ms, interval * 5 // 2)
        self._volts.limit_ms = max(10 * interval, volts_interval * 5 // 2, 30_000)

    def _set_limits(self) -> None:
        choice = self.choice
        assert choice is not None
        scale = choice.current_scale(self._settings_at)
        context = self._context(choice, self._settings_at)
        limits = context.limits
        jump = max(4 * limits.noise, limits.high, self.plan.bank.rated_amp_hours * 1000 / 50)
        self._runs.thresholds, self._runs.step_milliamps = limits, round(jump)
        self._phases.high = limits.high
        self._ledgers.context = context
        self._counter.most_milliamps = max(abs(scale.valid[0]), abs(scale.valid[1]))

    def _context(self, choice: LeadChoice, at_ms: int) -> Context:
        limits = thresholds(self.plan.bank, choice.current_scale(at_ms))
        volts = choice.volts_accuracy(at_ms)
        return Context(
            self.plan,
            replace(limits, count_step=choice.count_step(at_ms)),
            UNSTATED_VOLTS_GAIN if volts.gain is None else volts.gain,
            volts.offset or 0.0,
        )

    # -- readings --

    def push(self, axis: SessionAxis, devices: Devices, found: list[Found]) -> FoldResults:
        if self.choice is None:
            return FoldResults()
        lead = self._lead(self.choice, axis.session, devices, found)
        self._mark_gaps(self.choice, lead, devices, found)
        runs = self._runs.push(lead, self._sides(devices))
        findings: list[Finding] = []
        if self._findings is not None:
            findings = self._findings.push(lead, devices, found, self.choice.device, self._interval_ms, axis.order)
        return self._to_ledgers(runs, findings)

    def _to_ledgers(self, runs: list[Stretch], findings: list[Finding]) -> FoldResults:
        phases = self._phases.push(runs)
        running = self._runs.open
        if running is not None and self._phases.changes_with(running):
            phases.extend(self._phases.push([self._runs.cut_open()]))
        marks = self._stuck.push(phases)
        entries = self._ledgers.push(phases, self._gap_unknown)
        if phases:
            self._gap_unknown = False
        return FoldResults(tuple(entries), tuple(marks), tuple(findings))

    def _lead(self, choice: LeadChoice, session: int, devices: Devices, found: list[Found]) -> LeadColumns:
        device = devices.get(choice.device) or DeviceColumns(_EMPTY, {})
        amps = total([self._current(choice, one, device, devices) for one in choice.amps])
        good = amps != MISSING if len(amps) and amps.min() == MISSING else None
        at_ms, amps = (device.at_ms, amps) if good is None else (device.at_ms[good], amps[good])
        volts = self._lead_volts(choice, devices, at_ms)
        counter = None
        if choice.counters:
            columns = [_column(device, one.channel.name) for one in choice.counters]
            columns = columns if good is None else [column[good] for column in columns]
            counter, resets = self._counter.push(at_ms, columns, amps)
            if len(resets):
                found.append((choice.counters[0].channel.name, Mark.COUNTER_RESET, resets))
        left_out = None if good is None else np.flatnonzero(~good)
        return LeadColumns(session, at_ms, amps, volts, counter, choice.averaged, left_out)

    def _current(
        self, choice: LeadChoice, one: Series, device: DeviceColumns, devices: Devices
    ) -> npt.NDArray[np.int64]:
        """A current of the sum at the lead device's times: its own, or the last that another device read."""
        name = one.channel.name
        if one.device == choice.device:
            return _column(device, name)
        interval = self._interval_ms.get(one.device, _DEFAULT_INTERVAL_MS)
        hold = self._strings.setdefault(name, Hold(limit_ms=0))
        hold.limit_ms = max(interval * 5 // 2, 5_000)
        return _held(hold, devices.get(one.device), name, device.at_ms)

    def _lead_volts(self, choice: LeadChoice, devices: Devices, at_ms: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Bank voltage at each current: read with it, or the last one read before."""
        if choice.volts is None:
            return np.full(len(at_ms), MISSING, dtype=np.int64)
        return _held(self._volts, devices.get(choice.volts.device), "volts", at_ms)

    def _sides(self, devices: Devices) -> list[SideColumn]:
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

    def _mark_gaps(self, choice: LeadChoice, lead: LeadColumns, devices: Devices, found: list[Found]) -> None:
        """Mark readings before which others are missing: of the current, and of every other device."""
        before = self._runs.previous
        late = _after_gap(lead.at_ms, before.at_ms if before else None, self._runs.gap_ms)
        if len(late):
            found.append((choice.amps[0].channel.name, Mark.GAP_BEFORE, late))
        for name, device in devices.items():
            if name == choice.device:
                continue
            interval = self._interval_ms.get(name, _DEFAULT_INTERVAL_MS)
            late = _after_gap(device.at_ms, self._seen.get(name), _gap_ms(interval))
            if len(late):
                found.append((name, Mark.GAP_BEFORE, late))
            self._seen[name] = int(device.at_ms[-1])

    def break_off(self, order: int) -> FoldResults:
        """A pause of unknown length before the session of that order: what is under way ends with the last reading."""
        phases = self._end()
        marks = self._stuck.push(phases)
        entries = self._ledgers.push(phases, self._gap_unknown)
        self._gap_unknown = True
        return FoldResults(tuple(entries), tuple(marks), tuple(self._end_frames(order)))

    def _end_frames(self, order: int) -> list[Finding]:
        return self._findings.break_off(order) if self._findings is not None else []

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
        return FoldResults(tuple(entries), tuple(marks), tuple(self._end_frames(END_OF_RECORD)))

    def to_plain(self) -> dict[str, object]:
        return {
            "runs": self._runs.to_plain(),
            "phases": self._phases.to_plain(),
            "ledgers": self._ledgers.to_plain(),
            "counter": self._counter.to_plain(),
            "volts": self._volts.to_plain(),
            "stuck": self._stuck.to_plain(),
            "gap_unknown": self._gap_unknown,
            "interval_ms": self._interval_ms,
            "settings_at": self._settings_at,
            "seen": self._seen,
            "findings": self._findings.to_plain() if self._findings is not None else None,
            "strings": {name: hold.to_plain() for name, hold in self._strings.items()},
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        """Take up a state: first what was chosen, then what it had come to."""
        self._settings_at = plain["settings_at"]
        self.take_up_session(SessionAxis(0, 0, interval_ms=plain["interval_ms"]))
        self._runs.load_plain(plain["runs"])
        self._phases.load_plain(plain["phases"])
        self._ledgers.load_plain(plain["ledgers"])
        self._counter.load_plain(plain["counter"])
        self._volts.load_plain(plain["volts"])
        self._stuck.load_plain(plain["stuck"])
        self._gap_unknown = plain["gap_unknown"]
        self._seen = plain["seen"]
        if self._findings is not None:
            self._findings.load_plain(plain["findings"])
        for name, numbers in plain["strings"].items():
            self._strings[name] = Hold(limit_ms=0)
            self._strings[name].load_plain(numbers)


_EMPTY = np.empty(0, dtype=np.int64)
_NOT_A_SIDE = frozenset({"amps", "volts", "net_amp_hours", "charged_amp_hours", "discharged_amp_hours"})


def _column(device: DeviceColumns, name: str) -> np.ndarray:
    column = device.columns.get(name)
    return column if column is not None else np.full(len(device.at_ms), MISSING, dtype=np.int64)


def _gap_ms(interval_ms: int) -> int:
    """How long readings may stay out before that is a gap."""
    return max(interval_ms * 5 // 2, interval_ms + 2000)


def _after_gap(at_ms: npt.NDArray[np.int64], before_ms: int | None, gap_ms: int) -> npt.NDArray[np.int64]:
    """Times of the readings before which a gap lies."""
    interval = np.diff(at_ms, prepend=at_ms[:1] if before_ms is None else before_ms)
    if not len(interval) or int(interval.max()) <= gap_ms:
        return at_ms[:0]
    return at_ms[interval > gap_ms]


def _held(hold: Hold, device: DeviceColumns | None, name: str, at_ms: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """The last value of a channel at each of these times; keeps the latest for the next push."""
    if device is None:
        return hold.at(at_ms, _EMPTY, _EMPTY)
    readings = _column(device, name)
    if len(at_ms) == len(device.at_ms) and len(readings) and readings.min() != MISSING:
        # Read with each of them: a device is on its own time axis only.
        values = readings if at_ms is device.at_ms else hold.at(at_ms, device.at_ms, readings)
    else:
        values = hold.at(at_ms, device.at_ms, readings)
    hold.keep(device.at_ms, readings)
    return values


def _judged(plan: BankPlan) -> frozenset[str]:
    """Channels that may be found stuck. A current made of several is known as "amps" in sums, but is no channel."""
    return frozenset(series.channel.name for series in plan.series.values())
