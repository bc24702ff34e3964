"""Readings of one bank in frames of five minutes: what the findings look at.

A frame closes when a later reading of any device is there; since a push brings all readings up to one instant, no
reading of a closed frame can follow. All sums are whole numbers and all marks and steps are counted by the time of
the reading that decides them: how the readings were grouped makes no difference.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from loggerd.model.bank import Bank
from loggerd.model.channels import MISSING
from loggerd.model.marks import Mark
from loggerd.model.scan import Integers

FRAME_MS = 300_000
COUNTED_MARKS = Mark.OUT_OF_RANGE | Mark.CLOCK_NOT_SET | Mark.TAPS_DISAGREE | Mark.UNREADABLE | Mark.GAP_BEFORE
"""Marks that are known at the reading that carries them; a spike is known only by the reading after it."""

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Layout:
    """Which column of a frame is which channel: amps, volts, ambient, block volts, block temperatures, string amps."""

    names: tuple[str, ...]
    blocks: int
    strings: int

    @staticmethod
    def of(bank: Bank) -> Layout:
        blocks, strings = range(1, bank.blocks + 1), range(1, bank.strings + 1)
        names = (
            "amps",
            "volts",
            "ambient_celsius",
            *(f"block_{number}_volts" for number in blocks),
            *(f"block_{number}_celsius" for number in blocks),
            *(f"string_{number}_amps" for number in strings),
        )
        return Layout(names, bank.blocks, bank.strings)

    @cached_property
    def index(self) -> dict[str, int]:
        return {name: number for number, name in enumerate(self.names)}

    @property
    def block_volts(self) -> slice:
        return slice(3, 3 + self.blocks)

    @property
    def block_celsius(self) -> slice:
        return slice(3 + self.blocks, 3 + 2 * self.blocks)

    @property
    def string_amps(self) -> slice:
        return slice(3 + 2 * self.blocks, 3 + 2 * self.blocks + self.strings)


@dataclass(frozen=True)
class Step:
    """A jump of the current between two steady states, and what the voltages of one device did.

    amps, volts: change of the bank's current [A] and of each voltage [V], by column of the layout, NaN where not
    read (c,); `interval_seconds` lies between the reading before the jump and the one that ends it.
    """

    at_ms: int
    device: str
    amps: float
    volts: Floats
    interval_seconds: float


@dataclass(frozen=True)
class Frame:
    """Five minutes of a bank. Arrays are by column of the layout (c,), NaN where nothing was read.

    `number` counts frames since 1970 on the analysis axis. `covered_ms`: how much of it readings of the current
    cover. `after_unknown`: a pause of unknown length lies before it. `missed`: whole frames without readings that lie
    between this one and the one before (0 after a pause of unknown length). `marks`: readings that carry a mark, by
    channel (or device) and mark. `session`: that of its last reading.
    """

    number: int
    session: int
    covered_ms: int
    after_unknown: bool
    missed: int
    layout: Layout
    means: Floats
    lows: Floats
    highs: Floats
    counts: Integers
    steps: tuple[Step, ...] = ()
    marks: Mapping[tuple[str, Mark], int] = field(default_factory=dict)

    @property
    def start_ms(self) -> int:
        return self.number * FRAME_MS

    @property
    def end_ms(self) -> int:
        return (self.number + 1) * FRAME_MS

    @cached_property
    def amps(self) -> float:
        """Mean current [A], charge positive; NaN without."""
        return float(self.means[0])

    @cached_property
    def volts(self) -> float:
        """Mean bank voltage [V]; of a bank without such a channel, the sum of string 1; NaN without either."""
        volts = float(self.means[1])
        if math.isnan(volts) and self.layout.blocks:
            per_string = self.layout.blocks // self.layout.strings
            return float(self.block_volts[:per_string].sum())
        return volts

    @property
    def block_volts(self) -> Floats:
        return self.means[self.layout.block_volts]

    @property
    def block_celsius(self) -> Floats:
        return self.means[self.layout.block_celsius]

    @property
    def string_amps(self) -> Floats:
        return self.means[self.layout.string_amps]

    @property
    def ambient_celsius(self) -> float:
        return float(self.means[2])

    @cached_property
    def celsius(self) -> float:
        """Mean of the blocks' temperatures; the ambient temperature where no block has one; NaN without either."""
        known = self.block_celsius
        known = known[~np.isnan(known)]
        return float(known.mean()) if len(known) else self.ambient_celsius

    @cached_property
    def amp_hours(self) -> float:
        """What went in (positive) or out (negative) in the time that is covered [Ah]; 0 without a current."""
        return self.amps * self.covered_ms / 3_600_000 if self.covered_ms else 0.0


@dataclass
class OpenFrame:
    """Sums of a frame that is not closed yet, whole numbers in fine units; -1 where there is none."""

    number: int = -1
    session: int = 0
    after_unknown: bool = False
    missed: int = 0
    totals: Integers = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    lows: Integers = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    highs: Integers = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    counts: Integers = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    steps: list[Step] = field(default_factory=list)
    marks: dict[tuple[str, Mark], int] = field(default_factory=dict)

    @staticmethod
    def begin(number: int, width: int, session: int, after_unknown: bool, missed: int) -> OpenFrame:
        return OpenFrame(
            number,
            session,
            after_unknown,
            missed,
            np.zeros(width, dtype=np.int64),
            np.full(width, np.iinfo(np.int64).max),
            np.full(width, np.iinfo(np.int64).min),
            np.zeros(width, dtype=np.int64),
        )

    def close(self, layout: Layout, interval_ms: int) -> Frame:
        """The frame as it stands. `interval_ms`: usual time between two readings of the current."""
        known = self.counts > 0
        means = np.full(len(known), np.nan)
        lows, highs = means.copy(), means.copy()
        means[known] = self.totals[known] / self.counts[known] / 1000
        lows[known], highs[known] = self.lows[known] / 1000, self.highs[known] / 1000
        covered = min(FRAME_MS, int(self.counts[0]) * interval_ms)
        return Frame(
            self.number,
            self.session,
            covered,
            self.after_unknown,
            self.missed,
            layout,
            means,
            lows,
            highs,
            self.counts,
            tuple(self.steps),
            self.marks,
        )

    def to_plain(self) -> dict[str, Any]:
        known = np.flatnonzero(self.counts).tolist()
        return {
            "number": self.number,
            "session": self.session,
            "after_unknown": self.after_unknown,
            "missed": self.missed,
            "width": len(self.counts),
            "columns": [
                [one, int(self.totals[one]), int(self.lows[one]), int(self.highs[one]), int(self.counts[one])]
                for one in known
            ],
            "steps": [step_to_plain(step) for step in self.steps],
            "marks": [[name, int(mark), count] for (name, mark), count in self.marks.items()],
        }

    @staticmethod
    def from_plain(plain: dict[str, Any]) -> OpenFrame:
        number, width = plain["number"], plain["width"]
        frame = OpenFrame.begin(number, width, plain["session"], plain["after_unknown"], plain["missed"])
        for one, total, low, high, count in plain["columns"]:
            frame.totals[one], frame.lows[one], frame.highs[one], frame.counts[one] = total, low, high, count
        frame.steps = [step_from_plain(step) for step in plain["steps"]]
        frame.marks = {(name, Mark(mark)): count for name, mark, count in plain["marks"]}
        return frame


def step_to_plain(step: Step) -> list[Any]:
    known = np.flatnonzero(~np.isnan(step.volts)).tolist()
    pairs = [[one, float(step.volts[one])] for one in known]
    return [step.at_ms, step.device, step.amps, step.interval_seconds, len(step.volts), pairs]


def step_from_plain(plain: list[Any]) -> Step:
    at_ms, device, amps, seconds, width, pairs = plain
    volts = np.full(width, np.nan)
    for one, value in pairs:
        volts[one] = value
    return Step(at_ms, device, amps, volts, seconds)


def binned(frames: Integers, values: Integers) -> tuple[Integers, Integers, Integers, Integers, Integers]:
    """Frame numbers (f,) and total, low, high, count of the known values in each (f,).

    `frames` (n,) never falls; a value may be MISSING.
    """
    if len(values) and values.min() == MISSING:
        good = values != MISSING
        frames, values = frames[good], values[good]
    if not len(values):
        nothing = np.empty(0, dtype=np.int64)
        return nothing, nothing, nothing, nothing, nothing
    begins = np.concatenate([[0], np.flatnonzero(frames[1:] != frames[:-1]) + 1])
    counts = np.diff(np.append(begins, len(frames)))
    return (
        frames[begins],
        np.add.reduceat(values, begins),
        np.minimum.reduceat(values, begins),
        np.maximum.reduceat(values, begins),
        counts,
    )
