"""Runs cases through the fold that the service runs, and notes what its findings name, when, and how loudly."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache

import numpy as np

from loggerd.analysis.axis import SessionAxis
from loggerd.analysis.findings import ranked, verdict_of
from loggerd.analysis.fold import BankFold
from loggerd.analysis.limit_table import LimitTable, limit_table
from loggerd.analysis.plan import BankPlan, Rules
from loggerd.model.bank import Bank, Series, SeriesScale
from loggerd.model.channels import MISSING, parse_channel
from loggerd.model.finding import Finding
from loggerd.model.scan import ClockState, ScanBlock
from loggerd.settings.limits import load_limits
from simulators.judging.chemistry import Layout
from simulators.judging.sensors import Readings, stated_accuracy
from simulators.judging.stream import DAY_MS, START_MS, Case, Chunk, Streams

FAULT_WEIGHT = 50
"""Findings of this weight say that something is wrong; lighter ones ask to watch it."""
_NAMING_WEIGHT = 20
"""Lighter ones are not told to anybody."""
INTERVAL_MS = 60_000
MINUTES_A_DAY = 1440
BANK = "bank"
DEVICES = ("shunt", "taps")
_NO_LIMIT = (-(10**9), 10**9)


@dataclass(frozen=True)
class Told:
    """A finding as it was told: the day of the case on which, and what it names."""

    day: int
    name: str
    subject: str
    verdict: str
    cause: str
    weight: int


@dataclass
class Outcome:
    """What the findings made of one case."""

    case: Case
    told: list[Told] = field(default_factory=list)
    """Every change to a verdict that names something wrong."""
    standing: list[Told] = field(default_factory=list)
    """What holds at the end, in its rank."""
    deepest: float = 0.0
    """That of the truth."""


@cache
def _limits(layout: Layout) -> tuple[LimitTable, Rules]:
    """The presets of the type, with the set points that this kind of charger is meant to have, as a keeper states."""
    values = {name: limit.value for name, limit in load_limits(layout.type).items()}
    values["absorption_volts_per_cell"] = layout.chemistry.absorption_volts
    values["float_volts_per_cell"] = layout.chemistry.float_volts
    rules = Rules(
        full_tail=values["full_tail_current_fraction"],
        full_volts_per_cell=values["full_volts_per_cell"],
    )
    return limit_table((name, None, value) for name, value in values.items()), rules


@dataclass(frozen=True)
class Piece:
    """What was folded at a time: the readings up to an instant of the session's clock, and what was found in them."""

    until_mono_ms: int
    blocks: tuple[ScanBlock, ...]
    findings: tuple[Finding, ...]


class CaseFold:
    """The bank of one case as the service folds it: devices, channels, settings. Fold its days in order."""

    def __init__(self, case: Case, layout: Layout) -> None:
        self.start_ms = START_MS + case.season * DAY_MS
        accuracy = stated_accuracy(layout)
        self._channels = {device: [c for c in accuracy if device_of(c) == device] for device in DEVICES}
        names = [channel for channels in self._channels.values() for channel in channels]
        series = {
            number: Series(
                device_of(name),
                BANK,
                parse_channel(name),
                name,
                0.001,
                "",
                (SeriesScale(None, 1.0, 0.0, _NO_LIMIT, accuracy[name]),),
            )
            for number, name in enumerate(names)
        }
        self._ids = {name: number for number, name in enumerate(names)}
        limits, rules = _limits(layout)
        bank = Bank(
            BANK,
            layout.type,
            layout.strings,
            layout.blocks_per_string,
            layout.cells_per_block,
            layout.rated_amp_hours,
            layout.hours,
        )
        self._fold = BankFold(BankPlan(bank, series, rules, limits))
        self._axis = SessionAxis(1, self.start_ms, interval_ms=dict.fromkeys(self._channels, INTERVAL_MS))

    @property
    def channels(self) -> dict[str, str]:
        """By channel the device that reads it."""
        return {name: device for device, names in self._channels.items() for name in names}

    def pieces(self, day: int, chunk: Chunk, minutes: int = MINUTES_A_DAY) -> Iterator[Piece]:
        """Fold one day's readings, so many minutes at a time. What is found does not depend on it, only when."""
        mono = (day * MINUTES_A_DAY + 1 + np.arange(len(chunk.times_ms), dtype=np.int64)) * INTERVAL_MS
        wall = chunk.times_ms - mono
        whole = [self._block(device, mono, wall, chunk.channels) for device in self._channels]
        for stop in range(minutes, len(mono) + minutes, minutes):
            until_ms = int(mono[min(stop, len(mono)) - 1])
            blocks = [_between(block, int(mono[stop - minutes]), until_ms) for block in whole]
            blocks = [block for block in blocks if len(block)]
            findings = self._fold.push(self._axis, blocks).findings if blocks else ()
            yield Piece(until_ms, tuple(blocks), findings)

    def _block(self, device: str, mono: np.ndarray, wall: np.ndarray, channels: Readings) -> ScanBlock:
        """The device's scans of that day as counts of thousandths; scans without any value are not there."""
        columns = np.stack([channels[name] for name in self._channels[device]])
        there = ~np.isnan(columns).all(axis=0)
        columns = columns[:, there]
        counts = np.where(np.isnan(columns), MISSING, np.rint(np.nan_to_num(columns) * 1000.0)).astype(np.int64)
        # A clock that stands in the past is known not to be set; other errors look like a clock that is right.
        state = np.where(wall[there] < START_MS - 366 * DAY_MS, ClockState.NOT_SET, ClockState.SET).astype(np.int64)
        ids = tuple(self._ids[name] for name in self._channels[device])
        return ScanBlock(device, 1, ids, mono[there], wall[there], state, tuple(counts))


class Watcher:
    """What the findings say of one case. Push its days in order."""

    def __init__(self, case: Case, layout: Layout) -> None:
        self.outcome = Outcome(case)
        self._fold = CaseFold(case, layout)
        self._newest: dict[tuple[str, str], Finding] = {}

    def push(self, day: int, chunk: Chunk) -> None:
        """Fold one day's readings and note what is told."""
        for piece in self._fold.pieces(day, chunk):
            for finding in piece.findings:
                self._note(day, finding)
        if day == self.outcome.case.days - 1:
            self.outcome.standing = [_told(day, one) for one in ranked(self._newest.values()) if _names(one)]

    def _note(self, day: int, finding: Finding) -> None:
        before = self._newest.get(finding.key)
        self._newest[finding.key] = finding
        if _names(finding) and (before is None or before.verdict != finding.verdict):
            self.outcome.told.append(_told(day, finding))


def _between(block: ScanBlock, first_ms: int, last_ms: int) -> ScanBlock:
    start, stop = np.searchsorted(block.mono_ms, [first_ms, last_ms + 1])
    return block.slice(int(start), int(stop))


def device_of(channel: str) -> str:
    """The device that reads a channel."""
    return "taps" if channel.startswith("block") else "shunt"


def _names(finding: Finding) -> bool:
    verdict = verdict_of(finding)
    return verdict.weight >= _NAMING_WEIGHT and bool(verdict.cause)


def _told(day: int, finding: Finding) -> Told:
    verdict = verdict_of(finding)
    return Told(day, finding.name, finding.subject, finding.verdict, verdict.cause, verdict.weight)


def judge(cases: Sequence[Case], keep: Callable[[Outcome, Sequence[Chunk]], None] | None = None) -> list[Outcome]:
    """Simulate cases of one layout together, and fold each. `keep`: given each outcome with its readings."""
    streams = Streams(list(cases))
    watchers = [Watcher(case, streams.layout) for case in cases]
    kept: list[list[Chunk]] = [[] for _ in cases]
    for day, chunks in enumerate(streams.run()):
        watched = [number for number, case in enumerate(cases) if day < case.days]
        for number, chunk in zip(watched, chunks, strict=True):
            watchers[number].push(day, chunk)
            if keep is not None:
                kept[number].append(chunk)
    for watcher, truth, own in zip(watchers, streams.truths, kept, strict=True):
        watcher.outcome.deepest = truth.deepest
        if keep is not None:
            keep(watcher.outcome, own)
    return [watcher.outcome for watcher in watchers]
