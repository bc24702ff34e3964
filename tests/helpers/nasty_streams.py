"""Random streams of readings for properties of the fold: realistic loads, and everything that goes wrong with them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from fold_tools import bank, block
from hypothesis import strategies as st

from loggerd.analysis.axis import SessionAxis
from loggerd.analysis.fold import BankFold
from loggerd.analysis.plan import BankPlan, Rules
from loggerd.model.bank import Accuracy, Series, SeriesScale
from loggerd.model.channels import MISSING, parse_channel
from loggerd.model.ledger import Entry, MarkSpan
from loggerd.model.results import FoldResults
from loggerd.model.scan import ScanBlock

HIGH = 120
"""Threshold [mA] that a stated offset of 0.1 A gives; 72 mA is the lower one."""
LAYOUTS = (
    "one",
    "file",
    "volts elsewhere",
    "blocks elsewhere",
    "taps on two devices",
    "net counter",
    "two counters",
    "averaged",
    "strings",
)
_LEVELS = (0, 0, 71, -72, 73, -119, 120, -121, 121, 400, -2_000, 9_000, -15_000, 40_000, -60_000)
_GAPS = (1_500, 4_000, 20_000, 61_000, 299_000, 600_000, 601_000, 1_900_000, 3_600_000, 3_601_000, 9_000_000)
_START_MS = 1_700_000_000_000


@dataclass(frozen=True)
class Run:
    """One session: its axis and one block for each device."""

    axis: SessionAxis
    blocks: tuple[ScanBlock, ...]

    def instants(self) -> list[int]:
        return sorted({int(at) for one in self.blocks for at in one.mono_ms})


@dataclass(frozen=True)
class Stream:
    plan: BankPlan
    runs: tuple[Run, ...]
    notes: dict[str, object] = field(default_factory=dict)

    def readings(self) -> int:
        return sum(len(one) for run in self.runs for one in run.blocks)


@dataclass
class _Maker:
    """Builds the columns of a stream. `random` decides what hypothesis does not: noise, jitter, where faults fall."""

    random: np.random.Generator
    layout: str
    interval_ms: int
    faults: float
    gaps: float
    volts: int = 50_000

    def times(self, count: int, interval_ms: int) -> np.ndarray:
        step = np.full(count, interval_ms, dtype=np.int64)
        step += self.random.integers(-interval_ms // 10, interval_ms // 10 + 1, count)
        wide = self.random.random(count) < self.gaps
        step[wide] += self.random.choice(_GAPS, int(wide.sum()))
        return np.cumsum(step)

    def spoil(self, column: np.ndarray, far: int) -> np.ndarray:
        """Some values missing, some out of every range, some single jumps."""
        column = column.copy()
        if not self.faults:
            return column
        kind = self.random.random(len(column))
        column[kind < self.faults] = MISSING
        column[(kind >= self.faults) & (kind < 1.5 * self.faults)] = 4 * 10**6
        jump = (kind >= 1.5 * self.faults) & (kind < 2 * self.faults)
        column[jump] += far
        return column

    def counter(self, at_ms: np.ndarray, milliamps: np.ndarray) -> np.ndarray:
        """An amp-hour counter [mAh] of that current, which now and then starts again from nothing."""
        hours = np.diff(at_ms, prepend=at_ms[0]) / 3_600_000
        moved = np.cumsum(milliamps * hours)
        for start in np.flatnonzero(self.random.random(len(at_ms)) < self.faults / 2):
            moved[start:] -= moved[start]
        return np.rint(moved).astype(np.int64)


def _current(maker: _Maker, segments: Sequence[tuple[str, int, int]], noise: int) -> np.ndarray:
    parts = []
    for kind, level, readings in segments:
        steps = np.arange(readings)
        if kind == "steady":
            part = np.full(readings, level)
        elif kind == "pulses":
            part = np.where(steps // 2 % 2 == 0, level, 0)
        elif kind == "alternating":
            part = np.where(steps % 3 == 0, -level, level)
        else:
            part = np.rint(np.linspace(level, -level // 3, readings)).astype(np.int64)
        parts.append(part)
    current = np.concatenate(parts).astype(np.int64)
    return current + np.rint(maker.random.normal(0, noise, len(current))).astype(np.int64)


def _series(device: str, channel: str, valid: tuple[int, int], dated: int | None, noise: int) -> Series:
    accuracy = Accuracy(gain=0.005, offset=0.1, noise=min(noise, 20) / 1000, resolution=0.001)
    scales = [SeriesScale(None, 1.0, 0.0, valid, accuracy)]
    if dated is not None:
        better = replace(accuracy, gain=0.002, offset=0.06)
        scales.append(SeriesScale(dated, 1.25, 3.0, (valid[0], valid[1] + 1), better))
    return Series(device, "bank", parse_channel(channel), channel, 0.001, "", tuple(scales))


_CHANNELS: dict[str, dict[str, tuple[str, ...]]] = {
    "one": {"meter": ("amps", "volts", "ambient_celsius")},
    "file": {"meter": ("amps", "volts")},
    "volts elsewhere": {"meter": ("amps",), "second": ("volts", "block_1_celsius")},
    "blocks elsewhere": {
        "meter": ("amps", "volts"),
        "taps": ("block_1_volts", "block_2_volts", "block_3_volts", "block_4_volts"),
    },
    "taps on two devices": {
        "meter": ("amps",),
        "north": ("block_1_volts", "block_2_volts", "block_3_volts", "block_4_volts"),
        "south": ("block_5_volts", "block_6_volts", "block_7_volts", "block_8_volts"),
        "volts": ("volts",),
    },
    "net counter": {"meter": ("amps", "volts", "net_amp_hours")},
    "two counters": {"meter": ("amps", "volts", "charged_amp_hours", "discharged_amp_hours")},
    "averaged": {"meter": ("mean_amps", "volts"), "taps": ("ambient_celsius",)},
    "strings": {"meter": ("string_1_amps", "string_2_amps"), "second": ("volts",)},
}


def _valid(channel: str) -> tuple[int, int]:
    if channel.endswith("amp_hours"):
        return (-(10**9), 10**9)
    return (-100_000, 100_000) if channel.endswith("amps") else (0, 100_000)


def _column(maker: _Maker, channel: str, at_ms: np.ndarray, lead: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """Readings of one channel at `at_ms` while that current flows, with all that goes wrong."""
    amps = lead[1][np.clip(np.searchsorted(lead[0], at_ms, side="right") - 1, 0, None)]
    if channel.endswith("amp_hours"):
        counted = {"net_amp_hours": amps, "charged_amp_hours": np.maximum(amps, 0)}.get(channel, np.maximum(-amps, 0))
        return maker.spoil(maker.counter(at_ms, counted), 500)
    if channel.endswith("amps"):
        return maker.spoil(amps // 2 if channel.startswith("string") else amps, 30_000)
    noise = np.rint(maker.random.normal(0, 5, len(at_ms))).astype(np.int64)
    if channel.endswith("celsius"):
        return maker.spoil(np.full(len(at_ms), 21_000) + noise // 8 * 100, 8_000)
    volts = maker.volts + amps // 20 + noise
    if channel == "volts":
        return maker.spoil(volts, -9_000)
    return maker.spoil(volts // 4 + maker.random.integers(0, 2, len(at_ms)) * 40, 3_000)


def _device_blocks(
    maker: _Maker, at_ms: np.ndarray, current: np.ndarray, mono_ms: int, ids: dict[str, int]
) -> tuple[ScanBlock, ...]:
    """One block for each device of the layout; devices beside the first have their own rate and phase."""
    blocks = []
    for number, (device, channels) in enumerate(_CHANNELS[maker.layout].items()):
        when = at_ms
        if number:
            rate = (maker.interval_ms * 7 // 5, maker.interval_ms * 3, maker.interval_ms)[number - 1]
            span = int(at_ms[-1] - at_ms[0])
            when = at_ms[0] - maker.interval_ms + maker.times(max(2, span // rate), rate)
            when = when[when <= at_ms[-1] + 2 * maker.interval_ms]
        columns = [_column(maker, channel, when, (at_ms, current)) for channel in channels]
        built = block(when + mono_ms, columns, device, [ids[channel] for channel in channels])
        wall, clock = built.wall_minus_mono_ms.copy(), built.clock.copy()
        if maker.layout == "file":
            # Rows whose own time repeats the row before, or is far from it.
            odd = maker.random.random(len(when)) < maker.faults
            wall[odd] = maker.random.choice([-1, -1, -400_000, 10**7], int(odd.sum()))
        elif maker.faults and len(when) > 4:
            # The wall clock steps back, repeats and is not set for a while.
            start = int(maker.random.integers(1, len(when) - 1))
            wall[start:] -= int(maker.random.choice([0, 700, 5_000, 10**6, int(when[start] - when[start - 1])]))
            clock[: int(maker.random.integers(0, 4))] = 1
        blocks.append(replace(built, wall_minus_mono_ms=wall, clock=clock))
    return tuple(one for one in blocks if len(one))


SEGMENT = st.tuples(
    st.sampled_from(("steady", "steady", "steady", "pulses", "alternating", "ramp")),
    st.sampled_from(_LEVELS),
    st.integers(1, 60),
)


@st.composite
def streams(draw: st.DrawFn, layouts: Sequence[str] = LAYOUTS, faults: bool = True) -> Stream:
    """A plan and one to three sessions of readings."""
    layout = draw(st.sampled_from(tuple(layouts)))
    interval_ms = draw(st.sampled_from((1_000, 10_000, 60_000)))
    maker = _Maker(
        np.random.default_rng(draw(st.integers(0, 2**32))),
        layout,
        interval_ms,
        draw(st.sampled_from((0.0, 0.02, 0.1))) if faults else 0.0,
        draw(st.sampled_from((0.0, 0.01, 0.05))) if faults else 0.0,
        draw(st.sampled_from((50_000, 57_000))),
    )
    noise = draw(st.sampled_from((0, 5, 40)))
    sessions = draw(st.lists(st.lists(SEGMENT, min_size=1, max_size=6), min_size=1, max_size=3))
    dated = draw(st.sampled_from((None, 30, 400))) if faults else None
    channels = [(device, channel) for device, names in _CHANNELS[layout].items() for channel in names]
    ids = {channel: number for number, (_, channel) in enumerate(channels)}
    series = {}
    for number, (device, channel) in enumerate(channels):
        since = None if dated is None or number % 2 else _START_MS + dated * interval_ms
        series[number] = _series(device, channel, _valid(channel), since, noise)
    rules = Rules(dwell_ms=draw(st.sampled_from((3, 12))) * interval_ms, minimum_swing=0.04)
    strings = 2 if layout in ("strings", "taps on two devices") else 1
    plan = BankPlan(bank(draw(st.sampled_from((1.0, 20.0))), strings=strings), series, rules)
    runs = []
    end = _START_MS
    for number, segments in enumerate(sessions, 1):
        current = _current(maker, segments, noise)
        at_ms = maker.times(len(current), interval_ms)
        unknown = number > 1 and draw(st.booleans())
        pause = int(draw(st.sampled_from((1, 5, 90, 600)))) * interval_ms
        blocks = _device_blocks(maker, at_ms, current, 5_000_000, ids)
        first = min(int(one.mono_ms[0]) for one in blocks)
        usual = interval_ms * draw(st.sampled_from((1, 1, 2)))
        offset = end + (1 if unknown else pause) - first
        usual_of = dict.fromkeys(_CHANNELS[layout], usual)
        axis = SessionAxis(number, offset, unknown, 0, usual_of, by_wall=layout == "file")
        runs.append(Run(axis, blocks))
        end = max(int(one.mono_ms[-1]) for one in blocks) + offset
    return Stream(plan, tuple(runs), {"layout": layout, "interval_ms": interval_ms})


def pushes(run: Run, instants: Sequence[int]) -> Iterator[list[ScanBlock]]:
    """The blocks of a session cut at common instants: each piece holds all scans after one and up to the next."""
    begins = [0] * len(run.blocks)
    for instant in [*sorted(set(instants)), 2**62]:
        piece = []
        for number, one in enumerate(run.blocks):
            stop = int(np.searchsorted(one.mono_ms, instant, side="right"))
            if stop > begins[number]:
                piece.append(one.slice(begins[number], stop))
            begins[number] = stop
        if piece:
            yield piece


@dataclass(frozen=True)
class Folded:
    entries: list[Entry]
    settled: int
    marks: frozenset[MarkSpan]
    state: bytes


def folded(results: Sequence[FoldResults], fold: BankFold) -> Folded:
    rest = fold.view()
    entries = [entry for one in results for entry in one.entries]
    marks = [mark for one in [*results, rest] for mark in one.marks]
    assert len(set(marks)) == len(marks)
    return Folded([*entries, *rest.entries], len(entries), frozenset(marks), fold.dump())


def fold_stream(stream: Stream, cuts: Sequence[Sequence[int]] = (), reload: bool = False) -> Folded:
    """Fold with each session cut at the given instants; `reload`: dump and load between all pushes."""
    fold = BankFold(stream.plan)
    results = []
    for number, run in enumerate(stream.runs):
        for piece in pushes(run, cuts[number] if cuts else ()):
            results.append(fold.push(run.axis, piece))
            if reload:
                state = fold.dump()
                fold = BankFold(stream.plan)
                fold.load(state)
    return folded(results, fold)


@st.composite
def cut_streams(draw: st.DrawFn, layouts: Sequence[str] = LAYOUTS) -> tuple[Stream, list[list[int]]]:
    """A stream and instants to cut each of its sessions at."""
    stream = draw(streams(layouts))
    cuts = []
    for run in stream.runs:
        instants = run.instants()
        chosen = draw(st.lists(st.integers(0, len(instants) - 1), max_size=12))
        cuts.append([instants[index] for index in chosen])
    return stream, cuts
