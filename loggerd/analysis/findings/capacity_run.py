"""One discharge from a full bank, kept while it runs: its curve, its last hour, and where it came to the end."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from loggerd.analysis.findings.events import SinceFull
from loggerd.analysis.frames import FRAME_MS, Frame
from loggerd.model.bank import Bank

_BESIDE_AIR_KELVIN = 10.0
"""By which blocks may be off the air's mean during a discharge (own choice, no source)."""
_POINTS = 110
_LAST_HOUR, _LAST_HALF_HOUR = 12, 6
"""Frames."""
_INRUSH = 1.3
_NEAR_END = 0.12
"""Only a bank that was within so many volts per cell of the end can have crossed it inside a frame."""


@dataclass
class Curve:
    """Points of a discharge: amp-hours since full, volts per cell, amperes drawn; `celsius` None where unknown."""

    points: list[list[float]]
    amp_hours: float
    celsius: float | None
    amps: float
    rest_volts: float | None = None


@dataclass(frozen=True)
class Crossing:
    """The end voltage was reached: amp-hours drawn since full, hours since, current of the last half hour and so on.

    `current_scatter`: standard deviation over mean of the current in the last hour; `late_gap`: readings are missing
    in the last tenth; `gap_share`: of the time; `steepness`: volts per cell lost for each amp-hour at the end;
    `block_ends`: amp-hours at which each block came to the end voltage, None where it did not.
    """

    amp_hours: float
    hours: float
    amps: float
    current_scatter: float
    late_gap: bool
    gap_share: float
    charged_share: float
    steepness: float
    block_ends: tuple[float | None, ...]


@dataclass
class Run:
    """A discharge since the bank was full. `floor`: least net amp-hours drawn so far, where the discharge begins."""

    start_ms: int
    session: int
    proven: bool
    open: bool = True
    reached: bool = False
    floor: float = 0.0
    in_at_floor: float = 0.0
    began_ms: int = 0
    drawn: float = 0.0
    points: list[list[float]] = field(default_factory=list)
    sums: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    last: list[float] | None = None
    tail: list[list[float]] = field(default_factory=list)
    warmth: list[float] = field(default_factory=lambda: [0.0, 0.0])
    aired: float = 0.0
    """Seconds of `warmth` that are the air's."""
    current: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    gap_ms: int = 0
    last_gap: float = -1.0
    block_ends: list[float | None] = field(default_factory=list)

    def push(self, frame: Frame, since: SinceFull, bank: Bank, end_volts: float) -> Crossing | None:
        """Take a frame; the crossing of the end voltage where this frame brings it."""
        net = since.net_out_amp_hours
        if net <= self.floor or not self.began_ms:
            self._begin(net, since, frame, bank)
            return None
        before, drawn = self.drawn, net - self.floor
        self._note_gaps(frame, drawn)
        volts = frame.volts / bank.cells_in_series
        if not frame.amps < 0.0 or math.isnan(volts):
            return None
        self.drawn = drawn
        amps = -frame.amps
        self._note(frame, drawn, volts, amps, bank)
        self._note_blocks(frame, drawn, bank, end_volts)
        crossing = None
        if not self.reached:
            crossing = self._crossing(frame, (before + drawn) / 2, volts, since, bank, end_volts)
            self.reached = crossing is not None
        self.last = [(before + drawn) / 2, volts]
        return crossing

    def _begin(self, net: float, since: SinceFull, frame: Frame, bank: Bank) -> None:
        self.floor, self.in_at_floor, self.began_ms = net, since.in_amp_hours, frame.end_ms
        self.drawn, self.points, self.sums, self.last, self.tail = 0.0, [], [0.0, 0.0, 0.0], None, []
        self.warmth, self.current, self.gap_ms, self.last_gap = [0.0, 0.0], [0.0, 0.0, 0.0], 0, -1.0
        self.aired, self.block_ends = 0.0, [None] * bank.blocks

    def _note_gaps(self, frame: Frame, drawn: float) -> None:
        gap = frame.unread_ms
        self.gap_ms += gap
        if gap > FRAME_MS // 2:
            self.last_gap = drawn

    def _note(self, frame: Frame, drawn: float, volts: float, amps: float, bank: Bank) -> None:
        seconds = frame.covered_ms / 1000
        if not math.isnan(frame.celsius):
            self.warmth = [self.warmth[0] + frame.celsius * seconds, self.warmth[1] + seconds]
            if frame.by_air:
                self.aired += seconds
        self.current = [
            self.current[0] + amps * seconds,
            self.current[1] + amps * amps * seconds,
            self.current[2] + seconds,
        ]
        self.tail = [*self.tail, [amps, seconds, frame.low_list[0]]][-_LAST_HOUR:]
        self.sums = [self.sums[0] + volts, self.sums[1] + amps, self.sums[2] + 1]
        reached = self.points[-1][0] if self.points else 0.0
        if drawn - reached >= bank.rated_amp_hours / 100 and len(self.points) < _POINTS:
            count = self.sums[2]
            self.points.append([drawn, self.sums[0] / count, self.sums[1] / count])
            self.sums = [0.0, 0.0, 0.0]

    def _note_blocks(self, frame: Frame, drawn: float, bank: Bank, end_volts: float) -> None:
        least = end_volts * bank.cells_per_block
        for number, volts in enumerate(frame.mean_list[frame.layout.block_volts]):
            if volts <= least and self.block_ends[number] is None:
                self.block_ends[number] = drawn

    def _crossing(
        self, frame: Frame, middle: float, volts: float, since: SinceFull, bank: Bank, end_volts: float
    ) -> Crossing | None:
        """By the mean of the frame; or by its lowest reading, where loads were let go within it and no inrush was."""
        if self.last is None:
            return None
        steepness = (self.last[1] - volts) / max(middle - self.last[0], 1e-9)
        if volts <= end_volts:
            share = (self.last[1] - end_volts) / max(self.last[1] - volts, 1e-9)
            return self._crossed(
                frame, self.last[0] + min(max(share, 0.0), 1.0) * (middle - self.last[0]), steepness, since
            )
        low = float(frame.lows[1]) / bank.cells_in_series
        if math.isnan(low) or low > end_volts or self.last[1] > end_volts + _NEAR_END:
            return None
        usual = sum(one[0] for one in self.tail[:-1]) / max(len(self.tail) - 1, 1)
        if -float(frame.lows[0]) > _INRUSH * usual:
            return None
        steepness = (self.last[1] - end_volts) / max(self.drawn - self.last[0], 1e-9)
        return self._crossed(frame, self.drawn, steepness, since)

    def _crossed(self, frame: Frame, amp_hours: float, steepness: float, since: SinceFull) -> Crossing:
        hours = max(frame.end_ms - self.began_ms, 1) / 3_600_000
        half_hour = self.tail[-_LAST_HALF_HOUR:]
        amps = sum(one[0] * one[1] for one in half_hour) / max(sum(one[1] for one in half_hour), 1e-9)
        return Crossing(
            amp_hours,
            hours,
            amps,
            scatter_of([one[0] for one in self.tail]),
            self.last_gap > 0.9 * amp_hours,
            self.gap_ms / 3_600_000 / hours,
            (since.in_amp_hours - self.in_at_floor) / max(amp_hours, 1e-9),
            max(steepness, 0.0),
            tuple(self.block_ends),
        )

    @property
    def celsius(self) -> float | None:
        """Mean temperature while it was drawn from; None unless it is known for half of the time."""
        known = self.warmth[1] * 2 >= self.current[2] > 0
        return self.warmth[0] / self.warmth[1] if known else None

    @property
    def air_words(self) -> str:
        """What is said behind its degrees where they are not the blocks' alone."""
        if not self.aired:
            return ""
        return ", the air's, since no block's is read" if self.aired == self.warmth[1] else ", in part the air's"

    def doubt_by_air(self, limits: Mapping[str, float]) -> float:
        """Share of the capacity by which the air's temperature may mislead, where no block's is read; else 0."""
        if not self.aired or self.celsius is None:
            return 0.0
        most = max(limits["capacity_per_kelvin_fast"], limits["capacity_per_kelvin_slow"])
        return _BESIDE_AIR_KELVIN * most * self.aired / self.warmth[1]

    @property
    def mean_amps(self) -> float:
        return self.current[0] / self.current[2] if self.current[2] else 0.0

    @property
    def scatter(self) -> float:
        """Standard deviation of the current over its mean, of frames."""
        if not self.current[2] or not self.mean_amps:
            return 0.0
        return math.sqrt(max(self.current[1] / self.current[2] - self.mean_amps**2, 0.0)) / self.mean_amps

    def curve(self, amp_hours: float, rest_volts: float | None) -> Curve:
        return Curve(self.points, amp_hours, self.celsius, self.mean_amps, rest_volts)

    def to_plain(self) -> dict[str, Any]:
        return dict(vars(self))

    @staticmethod
    def from_plain(plain: dict[str, Any]) -> Run:
        return Run(**plain)


def scatter_of(values: list[float]) -> float:
    """Standard deviation over mean; 0 for fewer than two values."""
    if len(values) < 2:
        return 0.0
    mean = sum(values) / len(values)
    return math.sqrt(sum((one - mean) ** 2 for one in values) / (len(values) - 1)) / max(abs(mean), 1e-9)
