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
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from loggerd.model.bank import Bank
from loggerd.model.channels import BLOCK_CELSIUS, MISSING
from loggerd.model.marks import Mark
from loggerd.model.scan import Integers

FRAME_MS = 300_000
DAY_MS = 86_400_000
MOST_STEPS = 4
"""Steps of one device kept of each frame: the first ones."""
COUNTED_MARKS = Mark.OUT_OF_RANGE | Mark.CLOCK_NOT_SET | Mark.TAPS_DISAGREE | Mark.UNREADABLE | Mark.GAP_BEFORE
"""Marks that are known at the reading that carries them; a spike is known only by the reading after it."""

COLDEST_CELSIUS, HOTTEST_CELSIUS = BLOCK_CELSIUS
"""Outside of these common probes say their error values (from memory: -127)."""
CLIMBED_CELSIUS = 95.0
"""A block gets hotter only step by step: a probe that says so at once, or alone, is not believed."""
POWER_ON_CELSIUS = 85.0
"""What common digital probes say before they have measured (from memory)."""

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

    @cached_property
    def block_volts(self) -> slice:
        return slice(3, 3 + self.blocks)

    @cached_property
    def block_celsius(self) -> slice:
        return slice(3 + self.blocks, 3 + 2 * self.blocks)

    @cached_property
    def string_amps(self) -> slice:
        return slice(3 + 2 * self.blocks, 3 + 2 * self.blocks + self.strings)


class Step(NamedTuple):
    """A jump of the current between two steady states, and what the voltages of one device did. A tuple,
    since many are made.

    amps, volts: change of the bank's current [A] and of each voltage [V], by column of the layout, NaN where not
    read (c,); `interval_seconds` lies between the reading before the jump and the one that ends it.
    """

    at_ms: int
    device: str
    amps: float
    volts: Floats
    interval_seconds: float
    bank_volts: float
    """Change of the bank's voltage [V]; where it is not read, the sum of those of the blocks that are."""
    bank_ohms: float
    """The bank's volts per ampere; where it is not read, the mean of the blocks that are, NaN without any."""

    @staticmethod
    def of(at_ms: int, device: str, amps: float, volts: Floats, interval_seconds: float) -> Step:
        """With the bank's volts and ohms by those of the columns."""
        return Step(at_ms, device, amps, volts, interval_seconds, *_bank_of(volts.tolist(), amps))

    @property
    def ohms(self) -> list[float]:
        """Volts per ampere by column (c,); made at each call, since few steps are asked for it."""
        whole: list[float] = (self.volts / self.amps).tolist()
        return whole


@dataclass(slots=True)
class Frame:
    """Five minutes of a bank. Arrays are by column of the layout (c,), NaN where nothing was read. Nobody changes one:
    it is not frozen, since a frozen one takes several times longer to make.

    `number` counts frames since 1970 on the analysis axis. `covered_ms`: how much of it readings of the current
    cover. `celsius`: see `celsius_of`; NaN where nothing tells it.
    `after_unknown`: a pause of unknown length lies before it. `missed`: whole frames without readings that lie
    between this one and the one before (0 after a pause of unknown length). `marks`: readings that carry a mark, by
    channel (or device) and mark. `session`: that of its last reading. `clock_jump_ms`: by how much the wall clock
    jumped against the monotonic one within it (the widest jump), 0 if it did not.
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
    celsius: float
    steps: tuple[Step, ...] = ()
    marks: Mapping[tuple[str, Mark], int] = field(default_factory=dict)
    clock_jump_ms: int = 0
    start_ms: int = field(init=False, repr=False, compare=False)
    end_ms: int = field(init=False, repr=False, compare=False)
    mean_list: list[float] = field(init=False, repr=False, compare=False)
    """The means once more, and below the lows, highs and counts: topics that look at one number at a time are far
    faster on a list."""
    low_list: list[float] = field(init=False, repr=False, compare=False)
    high_list: list[float] = field(init=False, repr=False, compare=False)
    count_list: list[int] = field(init=False, repr=False, compare=False)
    amps: float = field(init=False, repr=False, compare=False)
    """Mean current [A], charge positive; NaN without."""
    volts: float = field(init=False, repr=False, compare=False)
    """Mean bank voltage [V]; of a bank without such a channel, the sum of string 1; NaN without either."""
    unread_ms: int = field(init=False, repr=False, compare=False)
    """Time of it that readings of the current do not cover, and that of the frames missed before it."""
    amp_hours: float = field(init=False, repr=False, compare=False)
    """What went in (positive) or out (negative) in the time that is covered [Ah]; 0 without a current."""

    def __post_init__(self) -> None:
        number, layout, covered_ms = self.number, self.layout, self.covered_ms
        self.start_ms, self.end_ms = number * FRAME_MS, (number + 1) * FRAME_MS
        self.mean_list, self.low_list = self.means.tolist(), self.lows.tolist()
        self.high_list, self.count_list = self.highs.tolist(), self.counts.tolist()
        amps, volts = self.mean_list[0], self.mean_list[1]
        if math.isnan(volts) and layout.blocks:
            volts = float(self.block_volts[: layout.blocks // layout.strings].sum())
        self.amps, self.volts = amps, volts
        self.unread_ms = FRAME_MS - covered_ms + self.missed * FRAME_MS
        self.amp_hours = amps * covered_ms / 3_600_000 if covered_ms else 0.0

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
        return self.mean_list[2]

    @property
    def by_air(self) -> bool:
        """Whether its temperature is that of the air, since no block's is read that can be one (see `celsius_of`)."""
        if self.celsius != self.mean_list[2]:
            return False
        blocks = _believable(self.block_celsius)
        read = blocks[~np.isnan(blocks)]
        return len(read) == 0 or (len(read) == 1 and float(read[0]) > CLIMBED_CELSIUS)


@dataclass(slots=True)
class OpenFrame:
    """Sums of a frame that is not closed yet, whole numbers in fine units; -1 where there is none."""

    number: int = -1
    session: int = 0
    after_unknown: bool = False
    missed: int = 0
    totals: Integers = field(default_factory=lambda: _NOTHING)
    lows: Integers = field(default_factory=lambda: _NOTHING)
    highs: Integers = field(default_factory=lambda: _NOTHING)
    counts: Integers = field(default_factory=lambda: _NOTHING)
    steps: list[Step] = field(default_factory=list)
    marks: dict[tuple[str, Mark], int] = field(default_factory=dict)
    clock_jump_ms: int = 0

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

    def count(self, marks: Mapping[tuple[str, Mark], int]) -> None:
        """Add counted marks."""
        for key, count in marks.items():
            self.marks[key] = self.marks.get(key, 0) + count

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
            "clock_jump_ms": self.clock_jump_ms,
        }

    @staticmethod
    def from_plain(plain: dict[str, Any]) -> OpenFrame:
        number, width = plain["number"], plain["width"]
        frame = OpenFrame.begin(number, width, plain["session"], plain["after_unknown"], plain["missed"])
        for one, total, low, high, count in plain["columns"]:
            frame.totals[one], frame.lows[one], frame.highs[one], frame.counts[one] = total, low, high, count
        frame.steps = [step_from_plain(step) for step in plain["steps"]]
        frame.marks = {(name, Mark(mark)): count for name, mark, count in plain["marks"]}
        frame.clock_jump_ms = plain["clock_jump_ms"]
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
    return Step.of(at_ms, device, amps, volts, seconds)


def _bank_of(volts: list[float], amps: float) -> tuple[float, float]:
    """Volts and volts per ampere of the bank in one step, of volts by column (c,)."""
    if not math.isnan(volts[1]):
        return volts[1], volts[1] / amps
    total, ohms, count = 0.0, 0.0, 0
    for one in volts:
        if not math.isnan(one):
            total, ohms, count = total + one, ohms + one / amps, count + 1
    return total, ohms / count if count else math.nan


def celsius_of(means: Floats, layout: Layout) -> Floats:
    """Temperature of the bank in each frame (f,) of means (f, c): the median of the blocks' temperatures that can be
    one, so that a broken probe among several does not move it; where there is none, or one alone that may be an error
    value, the ambient one if it can be."""
    blocks = np.sort(_believable(means[:, layout.block_celsius]), axis=1)
    ambient = _believable(means[:, layout.index["ambient_celsius"]])
    read = np.count_nonzero(~np.isnan(blocks), axis=1)
    rows = np.arange(len(blocks))
    median = 0.5 * (blocks[rows, np.maximum(read - 1, 0) // 2] + blocks[rows, np.minimum(read // 2, layout.blocks - 1)])
    return np.where((read > 1) | (median <= CLIMBED_CELSIUS), median, ambient)


def _believable(celsius: Floats) -> Floats:
    """Temperatures, NaN instead of what no acid can have and of what probes say that have not measured."""
    can_be = (celsius >= COLDEST_CELSIUS) & (celsius <= HOTTEST_CELSIUS) & (celsius != POWER_ON_CELSIUS)
    return np.where(can_be, celsius, np.nan)


@dataclass(frozen=True)
class Rows:
    """Sums of frames in fine units, (f, c) each by frame and column, as in OpenFrame."""

    totals: Integers
    lows: Integers
    highs: Integers
    counts: Integers

    def shown(self, layout: Layout) -> tuple[Floats, Floats, Floats, list[float]]:
        """Means, lows and highs (f, c) in trade units, NaN where nothing was read, and the temperature of each frame.

        Each frame is worked out by itself, so that it does not matter how many frames close together.
        """
        known = self.counts > 0
        means = np.where(known, self.totals, np.nan) / np.maximum(self.counts, 1) / 1000
        lows, highs = np.where(known, self.lows, np.nan) / 1000, np.where(known, self.highs, np.nan) / 1000
        return means, lows, highs, celsius_of(means, layout).tolist()


@dataclass(frozen=True)
class Bins:
    """Frames of the readings of one device: frame numbers (f,), the index (f,) at which each begins, and how many
    readings (f,) it has."""

    numbers: Integers
    begins: Integers
    counts: Integers

    @staticmethod
    def of(at_ms: Integers, first: int) -> Bins:
        """Of readings (n,), n > 0. One whose time runs backward stays in the frame before it, and none lies before the
        frame of the number `first`."""
        if (at_ms[1:] < at_ms[:-1]).any():
            at_ms = np.maximum.accumulate(at_ms)
        first, last = max(int(at_ms[0]) // FRAME_MS, first), max(int(at_ms[-1]) // FRAME_MS, first)
        if last - first > len(at_ms):
            frames = np.maximum(at_ms // FRAME_MS, first)
            begins = np.concatenate([[0], np.flatnonzero(frames[1:] != frames[:-1]) + 1])
            return Bins(frames[begins], begins, np.diff(begins, append=len(at_ms)))
        # Frames are far fewer than readings: their edges are sooner found among these than each reading's frame.
        numbers = np.arange(first, last + 1)
        begins = np.concatenate([[0], np.searchsorted(at_ms, numbers[1:] * FRAME_MS)])
        counts = np.diff(begins, append=len(at_ms))
        filled = counts > 0
        return Bins(numbers[filled], begins[filled], counts[filled])

    def sums(self, values: Integers) -> tuple[Integers, Integers, Integers, Integers]:
        """Total, low, high and count (f,) of the known values of each frame; of one without any 0, most, least, 0."""
        lows = np.minimum.reduceat(values, self.begins)
        lacking = np.flatnonzero(lows == MISSING)
        if _FEW * len(lacking) <= len(lows):
            totals, highs = np.add.reduceat(values, self.begins), np.maximum.reduceat(values, self.begins)
            counts = self.counts.copy() if len(lacking) else self.counts
            for one in lacking.tolist():
                here = values[self.begins[one] : self.begins[one] + counts[one]]
                known = here[here != MISSING]
                totals[one], counts[one] = known.sum(), len(known)
                lows[one] = known.min() if len(known) else _MOST
            return totals, lows, highs, counts
        good = values != MISSING
        known = np.where(good, values, np.int64(_MOST))
        return (
            np.add.reduceat(np.where(good, values, np.int64(0)), self.begins),
            np.minimum.reduceat(known, self.begins),
            np.maximum.reduceat(values, self.begins),
            np.add.reduceat(good.astype(np.int64), self.begins),
        )


_MOST = np.iinfo(np.int64).max
_FEW = 8
"""Where at most one frame of so many lacks readings, these are sooner left out one by one."""
_NOTHING: Integers = np.empty(0, dtype=np.int64)
