"""Frames and findings for tests, without readings; and readings of a whole bank through the real fold."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
from fold_tools import bank as small_bank

from loggerd.analysis.axis import SessionAxis
from loggerd.analysis.findings.catalogue import Ground, Moment, Topic
from loggerd.analysis.findings.events import Event
from loggerd.analysis.fold import BankFold
from loggerd.analysis.frames import FRAME_MS, Frame, Layout, Step
from loggerd.analysis.limit_table import limit_table
from loggerd.analysis.plan import BankPlan
from loggerd.model.bank import Accuracy, Bank, BankType, Series, SeriesScale
from loggerd.model.channels import Quantity, parse_channel
from loggerd.model.finding import Finding
from loggerd.model.marks import Mark
from loggerd.model.scan import ScanBlock
from loggerd.settings.limits import load_limits

START_MS = 1_740_000_000_000 // FRAME_MS * FRAME_MS
"""An instant in February 2025 at which frames of tests begin."""


def limits_of(bank_type: BankType = BankType.FLOODED_ANTIMONY, **changed: float) -> dict[str, float]:
    """The limits that come with loggerd, some changed."""
    values = {name: limit.value for name, limit in load_limits(bank_type).items()}
    unknown = set(changed) - set(values)
    assert not unknown, f"no such limit: {unknown}"
    return {**values, **changed}


def ground_of(bank: Bank | None = None, accuracy: Mapping[str, Accuracy] | None = None) -> Ground:
    """The ground of a bank whose every channel is read."""
    whole = bank or small_bank()
    layout = Layout.of(whole)
    return Ground(whole, layout, accuracy or {}, frozenset(layout.names))


def make_frame(
    bank: Bank,
    position: int,
    amps: float,
    volts: float,
    *,
    block_volts: Sequence[float] | None = None,
    celsius: float | Sequence[float] = 25.0,
    ambient: float = 20.0,
    string_amps: Sequence[float] | None = None,
    steps: Sequence[Step] = (),
    marks: Mapping[tuple[str, Mark], int] | None = None,
    missed: int = 0,
    after_unknown: bool = False,
    readings: int = 300,
    covered_ms: int = FRAME_MS,
) -> Frame:
    """The frame at a position after START_MS, in which everything holds still. Block volts default to equal shares."""
    layout = Layout.of(bank)
    row = np.full(len(layout.names), np.nan)
    row[0], row[1], row[2] = amps, volts, ambient
    row[layout.block_volts] = volts / bank.blocks_per_string if block_volts is None else block_volts
    row[layout.block_celsius] = celsius
    row[layout.string_amps] = amps / bank.strings if string_amps is None else string_amps
    counts = np.where(np.isnan(row), 0, readings)
    number = START_MS // FRAME_MS + position
    shown = row[layout.block_celsius]
    known = shown[~np.isnan(shown)]
    mean = float(known.mean()) if len(known) else ambient
    return Frame(
        number,
        1,
        covered_ms,
        after_unknown,
        missed,
        layout,
        row,
        row,
        row,
        counts,
        mean,
        tuple(steps),
        dict(marks or {}),
    )


def shifted_frame(frame: Frame, columns: int | slice, by: float) -> Frame:
    """The frame with means, lows and highs of some columns moved; NaN: not read."""
    rows = {name: getattr(frame, name).copy() for name in ("means", "lows", "highs")}
    for row in rows.values():
        row[columns] += by
    return replace(frame, **rows)


class Pipeline:
    """Topics in a row, as the fold runs them; `events` collects all that they told one another."""

    def __init__(self, ground: Ground, limits: Mapping[str, float], *topics: Callable[[Ground], Topic]) -> None:
        self.limits = limits
        self.topics = [topic(ground) for topic in topics]
        self.events: list[Event] = []

    def run(self, frames: Iterable[Frame], given: Mapping[int, Sequence[Event]] | None = None) -> list[Finding]:
        """Findings in order. `given`: events handed in as if an earlier topic had told them, by frame number."""
        found: list[Finding] = []
        for frame in frames:
            moment = Moment(frame, self.limits, list((given or {}).get(frame.number, ())))
            for topic in self.topics:
                found.extend(topic.push(moment))
            self.events.extend(moment.events)
        return found

    def restart(self) -> None:
        """Dump every topic to JSON text and load it again, in place."""
        for topic in self.topics:
            text = json.dumps(topic.to_plain(), allow_nan=False)
            topic.load_plain(json.loads(text))


def restarts_change_nothing(
    ground: Ground, limits: Mapping[str, float], topics: Sequence[Callable[[Ground], Topic]], frames: Sequence[Frame]
) -> list[Finding]:
    """Run the frames straight through, and again with a new set of topics loaded from the state every 37 frames.

    Asserts that both find the same; returns the findings.
    """
    straight = Pipeline(ground, limits, *topics)
    expected = straight.run(frames)
    found: list[Finding] = []
    states: list[dict[str, Any]] | None = None
    for begin in range(0, len(frames), 37):
        pipeline = Pipeline(ground, limits, *topics)
        if states is not None:
            for topic, state in zip(pipeline.topics, states, strict=True):
                topic.load_plain(json.loads(json.dumps(state, allow_nan=False)))
        found.extend(pipeline.run(frames[begin : begin + 37]))
        states = [json.loads(json.dumps(topic.to_plain(), allow_nan=False)) for topic in pipeline.topics]
    assert found == expected
    return expected


def bank_plan(
    bank: Bank, channels: Sequence[str], accuracy: Mapping[str, Accuracy] | None = None, **changed: float
) -> BankPlan:
    """A plan with the limits of the bank's type; one device "meter" reads `channels`, in fine units."""
    stated = accuracy or {}
    usual = {
        Quantity.AMPS: Accuracy(0.005, bank.rated_amp_hours / 2000, bank.rated_amp_hours / 4000, 0.001),
        Quantity.VOLTS: Accuracy(0.001, 0.01, 0.003, 0.001),
        Quantity.CELSIUS: Accuracy(None, 0.5, 0.1, 0.1),
    }
    series = {}
    for number, name in enumerate(channels):
        channel = parse_channel(name)
        scale = SeriesScale(
            None, 1.0, 0.0, (-(10**9), 10**9), stated.get(name) or usual.get(channel.quantity, Accuracy())
        )
        series[number] = Series("meter", bank.name, channel, name, 0.001, "", (scale,))
    return BankPlan(
        bank, series, limits=limit_table((name, None, value) for name, value in limits_of(bank.type, **changed).items())
    )


def findings_of(
    plan: BankPlan, at_ms: np.ndarray, columns: Mapping[str, np.ndarray], interval_ms: int = 60_000, pieces: int = 1
) -> list[Finding]:
    """Readings of the plan's device, in volts, amperes and degrees, through the real fold. NaN: not read."""
    names = [plan.series[number].channel.name for number in sorted(plan.series)]
    counts = []
    for name in names:
        fine = np.rint(np.nan_to_num(columns[name], nan=-1e15) * 1000).astype(np.int64)
        counts.append(np.where(np.isnan(columns[name]), np.iinfo(np.int64).min, fine))
    zeros = np.zeros(len(at_ms), dtype=np.int64)
    whole = ScanBlock("meter", 1, tuple(range(len(names))), at_ms.astype(np.int64), zeros, zeros, tuple(counts))
    fold = BankFold(plan)
    axis = SessionAxis(1, 0, interval_ms={"meter": interval_ms})
    found: list[Finding] = []
    bounds = np.linspace(0, len(at_ms), pieces + 1).astype(int).tolist()
    for begin, end in pairwise(bounds):
        found.extend(fold.push(axis, [whole.slice(begin, end)]).findings)
    found.extend(fold.view().findings)
    return found
