"""How each block stands to its peers, gathered over a charge and the discharge that follows it.

Deviation: a block less the median of the other blocks of its string, in volts per cell. Own method, after common
practice: growth with depth takes away what a tap reads wrong by a constant, and what load steps show of a block's
resistance is taken away from what it shows under load.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import isnan
from typing import Any

from loggerd.analysis.findings.blocks_rows import Row, deviations, ohms_apart, to_floats, to_row
from loggerd.analysis.findings.catalogue import Ground
from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.findings.swings import GATE
from loggerd.analysis.frames import Frame

_EARLY = (0.10, 0.15)
_CHUNK = 0.01
_LAST_SHARE = 0.05
_SLOPE_CHUNKS = 10
_HELD_FRAMES = 6
_HELD_VOLTS = 0.03
_STEPS_KEPT = 24
_STEPS_LEAST = 4
_GAP_SHARE = 0.1
_QUIET_AFTER_MS = 3_600_000
_DIGITS = 6
_CLIFF = 2.0
"""Volts per cell and unit of depth, own choice: a whole bank that falls faster is drawn flat. Then its blocks fall one
after the other, by any amount, and who falls first by a hundredth of the charge seems to hold a tenth less."""
_SUMS = ("early", "quiet", "bulk", "open")


@dataclass
class Sums:
    """Weighted sums of the blocks' volts per cell (b,), NaN where a block was not read at all times; and of current."""

    total: list[float]
    amps: float = 0.0
    whole: float = 0.0

    @staticmethod
    def of(blocks: int) -> Sums:
        return Sums([0.0] * blocks)

    def add(self, cells: Sequence[float], amps: float, weight: float) -> None:
        total = self.total
        for block, cell in enumerate(cells):
            total[block] += cell * weight
        self.amps += weight * amps
        self.whole += weight

    def mean(self) -> Row:
        """Mean by block; None where it is not known."""
        whole = self.whole
        if whole <= 0.0:
            return [None] * len(self.total)
        return [None if isnan(total) else total / whole for total in self.total]

    @property
    def mean_amps(self) -> float | None:
        return round(self.amps / self.whole, _DIGITS) if self.whole > 0.0 else None

    def to_plain(self) -> list[Any]:
        return [to_row(self.total), self.amps, self.whole]

    @staticmethod
    def from_plain(plain: list[Any]) -> Sums:
        return Sums(to_floats(plain[0]), plain[1], plain[2])


@dataclass
class Compared:
    """One discharge and the charge before it. Rows are by block; deviations in volts per cell.

    `growth`: from early to the end, without what resistance explains; `capacity`: growth as a share of the capacity
    of the peers (negative: less), which may be wrong by `capacity_doubt`; `ohms` by block [ohm]; `slope`: how the
    peers' volts per cell fell at the end [V per unit of depth]. `held_volts`: highest of the charge. `still`: at rest
    after the charge, or nearly without current before a tenth was out.
    """

    start_ms: int
    end_ms: int
    depth: float
    full: bool
    early_amps: float | None
    end_amps: float | None
    held_volts: float | None
    slope: float | None
    capacity_doubt: float | None
    end_of_charge: Row
    bulk: Row
    still: Row
    early: Row
    end: Row
    ohms: Row
    growth: Row
    capacity: Row
    rested: bool = False

    def forget(self, block: int) -> None:
        """Another block sits there now."""
        rows = (self.end_of_charge, self.bulk, self.still, self.early, self.end, self.ohms, self.growth, self.capacity)
        for row in rows:
            row[block] = None


@dataclass
class _State:
    """What is gathered and not yet told. `out`: net amp-hours out since the last turn to discharge; `deepest` of it."""

    blocks: int
    start_ms: int = -1
    deepest_ms: int = 0
    out: float = 0.0
    deepest: float = 0.0
    gap_ms: int = 0
    full: bool = False
    charged_ms: int = 0
    highest: float = 0.0
    early: Sums = field(default_factory=lambda: Sums.of(0))
    quiet: Sums = field(default_factory=lambda: Sums.of(0))
    bulk: Sums = field(default_factory=lambda: Sums.of(0))
    open: Sums = field(default_factory=lambda: Sums.of(0))
    chunks: list[list[Any]] = field(default_factory=list)
    """Depth at its end [Ah], charge out [Ah], amps, volts per cell by block: the last ones of the discharge."""
    curve: list[list[float]] = field(default_factory=list)
    """Depth at its end [Ah], mean volts per cell and amps of the last chunks."""
    held: list[list[Any]] = field(default_factory=list)
    """Mean and by block: volts per cell of the last frames near the highest voltage of the charge."""
    steps: list[list[Any]] = field(default_factory=list)
    """Jump of the current and ohms by block: the largest jumps."""
    middle: float = 0.0
    drawn: bool = False
    """Nothing was put in during the frame before."""

    def clear_discharge(self) -> None:
        self.out, self.deepest, self.gap_ms, self.full, self.start_ms = 0.0, 0.0, 0, False, -1
        self.chunks, self.curve, self.middle = [], [], 0.0
        for sums in (self.early, self.quiet, self.open):
            if sums.whole > 0.0 or len(sums.total) != self.blocks:
                self.early, self.quiet, self.open = (Sums.of(self.blocks) for _ in range(3))
                break

    def clear(self) -> None:
        self.clear_discharge()
        self.bulk, self.held, self.steps, self.highest = Sums.of(self.blocks), [], [], 0.0


class Gathering:
    """Follows one bank through charges and discharges; tells a Compared when a discharge is over."""

    def __init__(self, ground: Ground) -> None:
        bank = ground.bank
        self.blocks, self.cells = bank.blocks, bank.cells_per_block
        self.rated, self._in_series = bank.rated_amp_hours, bank.cells_in_series
        per = bank.blocks_per_string
        self.groups = tuple(range(per * number, per * (number + 1)) for number in range(bank.strings))
        self._gate = GATE * self.rated
        self._first = ground.layout.block_volts.start
        amps = ground.accuracy.get("amps")
        self._slack_amps = 6 * (amps.noise or 0.0) + (amps.offset or 0.0) if amps else 0.0
        self._state = _State(self.blocks)
        self._state.clear()
        self._rest: Row | None = None

    def rested(self, row: Row) -> None:
        """Deviations at a rest that followed a charge, per cell."""
        self._rest = row

    def push(self, frame: Frame, cells: list[float], limits: Mapping[str, float], full: bool) -> Compared | None:
        """Take a frame with its volts per cell by block (b,), NaN where not to be used. Returns what is known when a
        discharge is over.

        `full`: the bank was full in this frame.
        """
        state, told = self._state, None
        if frame.after_unknown:
            state.clear()
            self._rest, state.drawn = None, False
        if state.start_ms < 0:
            state.start_ms = state.deepest_ms = frame.start_ms
        amps, rated = frame.amps, self.rated
        state.gap_ms += frame.unread_ms
        state.out -= frame.amp_hours
        if amps > 0.01 * rated:
            state.charged_ms = frame.end_ms
        drawn = frame.high_list[0] <= limits["rest_leak_fraction"] * rated + self._slack_amps
        if frame.steps and drawn:
            self._add_steps(frame, state.drawn and not frame.missed)
        state.drawn = drawn
        if state.out <= 0.0:
            known_full = full or state.full
            state.clear_discharge()
            state.start_ms, state.full = frame.end_ms, known_full and amps > -0.02 * rated
        elif full:
            state.full = True
        if state.out > state.deepest:
            state.deepest, state.deepest_ms = state.out, frame.end_ms
        middle = frame.volts / self._in_series
        if not isnan(middle) and frame.covered_ms:
            self._look(frame, middle, cells, limits)
        if state.deepest >= self._gate and state.deepest - state.out >= self._gate:
            told = self._finish(limits)
            state.clear()
            self._rest = None
        return told

    # -- while it goes on ---------------------------------------------------------------------------------------

    def _look(self, frame: Frame, middle: float, cells: list[float], limits: Mapping[str, float]) -> None:
        amps, rated, state = frame.amps, self.rated, self._state
        if amps < -0.002 * rated:
            if state.out > 0.99 * state.deepest:
                self._look_at_load(frame, middle, cells)
        elif amps > 0.002 * rated and state.deepest < self._gate:
            self._look_at_charge(amps, middle, cells, limits["gassing_volts_per_cell"] - 0.05)
        if -0.02 * rated < amps < 0.005 * rated and state.out < 0.1 * rated:
            settled = middle < limits["rest_volts_full"] + 0.04 and frame.end_ms - state.charged_ms > _QUIET_AFTER_MS
            if settled:
                state.quiet.add(cells, amps, 1.0)

    def _look_at_charge(self, amps: float, middle: float, cells: list[float], gassing: float) -> None:
        state = self._state
        if amps > 0.05 * self.rated and middle < gassing:
            state.bulk.add(cells, amps, 1.0)
        state.highest = max(state.highest, middle)
        if middle > state.highest - _HELD_VOLTS:
            state.held.append([middle, to_row(cells)])
            del state.held[:-_HELD_FRAMES]

    def _look_at_load(self, frame: Frame, middle: float, cells: list[float]) -> None:
        state, opened, amps = self._state, self._state.open, frame.amps
        moved, depth = -frame.amp_hours, state.out / self.rated
        if _EARLY[0] <= depth < _EARLY[1]:
            state.early.add(cells, amps, moved)
        opened.add(cells, amps, moved)
        state.middle += moved * middle
        whole = opened.whole
        if whole >= _CHUNK * self.rated:
            state.chunks.append([state.out, whole, opened.mean_amps, opened.mean()])
            state.curve.append([state.out, state.middle / whole, opened.amps / whole])
            state.open, state.middle = Sums.of(self.blocks), 0.0
            del state.curve[:-_SLOPE_CHUNKS]
            while len(state.chunks) > 1 and state.out - state.chunks[1][0] > _LAST_SHARE * state.out:
                del state.chunks[0]

    def _add_steps(self, frame: Frame, before: bool) -> None:
        """Only those that a load made: a charger that holds its voltage, or gassing, shows any ohms, or less than none.
        `before`: the frame before was without a charge as well."""
        kept = self._state.steps
        jumps = [one[0] for one in kept]
        least = min(jumps) if len(kept) >= _STEPS_KEPT else 0.0
        for step in frame.steps:
            if not before and step.at_ms - 2000 * step.interval_seconds < frame.start_ms:
                continue
            jump = abs(step.amps)
            if least >= jump:
                continue
            if len(kept) >= _STEPS_KEPT:
                place = jumps.index(least)
                del kept[place], jumps[place]
            kept.append([jump, to_row(step.ohms[self._first : self._first + self.blocks])])
            jumps.append(jump)
            least = min(jumps) if len(kept) >= _STEPS_KEPT else 0.0

    # -- when it is over ----------------------------------------------------------------------------------------

    def _finish(self, limits: Mapping[str, float]) -> Compared | None:
        state = self._state
        if state.gap_ms > _GAP_SHARE * max(state.deepest_ms - state.start_ms, 1) or not state.chunks:
            return None
        depth, end = state.deepest / self.rated, Sums.of(self.blocks)
        for _, moved, amps, row in state.chunks:
            end.add(to_floats(row), amps, moved)
        told = Compared(
            state.start_ms,
            state.deepest_ms,
            round(depth, 4),
            state.full,
            state.early.mean_amps,
            end.mean_amps,
            round(state.highest, 4) if state.held else None,
            None,
            None,
            self._apart(self._held()),
            self._apart(state.bulk.mean()),
            self._rest if self._rest is not None else self._apart(state.quiet.mean()),
            self._apart(state.early.mean()),
            self._apart(end.mean()),
            self._ohms(),
            [None] * self.blocks,
            [None] * self.blocks,
            self._rest is not None,
        )
        if depth >= limits["block_depth_least"]:
            self._grow(told, limits["rest_volts_full"] - limits["rest_volts_flat"], limits)
        return told

    def _apart(self, row: Row) -> Row:
        return [None if one is None else round(one, _DIGITS) for one in deviations(row, self.groups)]

    def _held(self) -> Row:
        state, sums = self._state, Sums.of(self.blocks)
        for middle, row in state.held:
            if middle > state.highest - _HELD_VOLTS:
                sums.add(to_floats(row), 0.0, 1.0)
        return sums.mean()

    def _ohms(self) -> Row:
        kept = self._state.steps
        found: Row = []
        for number in range(self.blocks):
            known = [row[number] for _, row in kept if row[number] is not None]
            found.append(round(median(known), 9) if len(known) >= _STEPS_LEAST else None)
        return found

    def _grow(self, told: Compared, least_slope: float, limits: Mapping[str, float]) -> None:
        """Growth with depth, and what it means as capacity: a block of a share s of its peers' charge stands at a
        depth d where they stand at d / s, so that growth is nearly (slope x depth, end less early) x (1 - s)."""
        if told.early_amps is None or told.end_amps is None:
            return
        apart = ohms_apart(told.ohms, self.groups)
        told.slope = round(max(self._slope(told.ohms), least_slope), 4)
        if told.slope > _CLIFF:
            return
        lever = told.slope * told.depth - least_slope * 0.5 * sum(_EARLY)
        told.capacity_doubt = round(limits["block_growth_doubt_volts"] / lever, 4)
        if told.capacity_doubt > limits["block_capacity_doubt_fraction"]:
            return
        for number, (early, end) in enumerate(zip(told.early, told.end, strict=True)):
            if early is None or end is None:
                continue
            ohmic = (apart[number] or 0.0) / self.cells * (told.end_amps - told.early_amps)
            told.growth[number] = round(end - early - ohmic, _DIGITS)
            told.capacity[number] = round((end - early - ohmic) / lever, 4)

    def _slope(self, ohms: Row) -> float:
        """Fall of the peers' volts per cell with depth at the end, at even current [V per unit of depth]."""
        curve = self._state.curve
        if len(curve) < 4:
            return 0.0
        known = [one for one in ohms if one is not None]
        per_cell = median(known) / self.cells if known else 0.0
        at = [row[0] / self.rated for row in curve]
        volts = [row[1] - per_cell * row[2] for row in curve]
        middle, height = sum(at) / len(at), sum(volts) / len(volts)
        spread = sum((one - middle) ** 2 for one in at)
        return -sum((one - middle) * (two - height) for one, two in zip(at, volts, strict=True)) / spread

    # -- state --------------------------------------------------------------------------------------------------

    def to_plain(self) -> dict[str, Any]:
        state = dict(vars(self._state))
        for name in _SUMS:
            state[name] = state[name].to_plain()
        return {"state": state, "rest": self._rest}

    def load_plain(self, plain: dict[str, Any]) -> None:
        state = dict(plain["state"])
        for name in _SUMS:
            state[name] = Sums.from_plain(state[name])
        self._state, self._rest = _State(**state), plain["rest"]
