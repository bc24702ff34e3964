"""Blocks that fail at once: a cell short, a block that breaks under load, a block driven the wrong way.

A short is looked for only where nothing else can pull a block so far down: at little current and not just after a
load, or while charging below gassing. Own method, after common practice; the bands of a resting block with a cell
less follow from rested cells of 1.98 to 2.12 V.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import isnan, nan
from typing import Any

from loggerd.analysis.findings.blocks_rows import Row, to_floats, to_row
from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.frames import FRAME_MS, Frame

_RESTED_CELL = (1.98, 2.12)
_BAND = 0.1
_CELL_VOLTS, _WHOLE_CELLS, _SAME_VOLTS = 2.07, 0.35, 0.25
"""A shorted cell takes so much; what stays must be whole cells and the same again, give or take."""
_STANDING_CELL = 1.75
"""What a sound cell gives at the least without a load [V], however little charge it has left."""
_ABOVE_REST = 0.08
"""Above this a block that lags behind reads a cell less than peers that gas."""
_OCCASION_MS = 3 * 3_600_000
_AFTER_LOAD_MS = 1_800_000
_ON_CHARGE, _FAR_MORE, _FELL_MS = 0.03, 1.2, 7 * 86_400_000
"""Own choice, no source: half a cell more than a short takes, in the charges of the last week."""
_FORGOTTEN_MS = 30 * 86_400_000
_WELL_MS = 3_600_000
_COLLAPSE_PER_CELL = 0.3
_NORMAL_PER_CELL = 0.1
_BREAKS = 3
_NOT_DEEP, _NEARLY_FLAT = 0.3, 0.7


def cells_missing(volts: float, cells: int, after_full: bool) -> int | None:
    """How many cells of a block give no voltage, by its voltage after six hours of rest or more.

    None where it cannot be told: between the bands, or within a band that a flat block may reach too when the bank
    was not full before.
    """
    low, high = _RESTED_CELL
    for missing in range(cells + 1):
        good = cells - missing
        if good * low - _BAND <= volts <= good * high + _BAND + (0.1 * cells if not missing else 0.0):
            return missing if after_full else None
    return None


@dataclass
class Seen:
    """One block that was low. `low_ms`: time it has been low without a break; `occasions`: times it was low long
    enough, hours apart; `well_ms`: time it has been as it should be since."""

    since_ms: int
    last_ms: int
    low_ms: int = 0
    occasions: int = 0
    counted_ms: int = 0
    well_ms: int = 0
    deviation: float = 0.0
    fell_ms: int = 0
    """When it lacked far more on charge than without current."""
    steady: int = 0
    """Occasions on end at which about the same number of whole cells was missing."""


@dataclass
class Prompt:
    """What has been seen of one block at once. `what`: "short", "open", "reversal", or "well" again after a short."""

    what: str
    block: int
    since_ms: int
    volts: float
    """Deviation of a short, else the reading [V]."""
    times: int = 1
    steady: int = 0


@dataclass
class ShortWatch:
    """Looks at each frame. Keeps something only of blocks that stand out."""

    ground: Ground
    seen: dict[int, Seen] = field(default_factory=dict)
    breaks: dict[int, list[int]] = field(default_factory=dict)
    """By block: since, last, how many."""
    pending: dict[int, float] = field(default_factory=dict)
    reversed_ms: dict[int, int] = field(default_factory=dict)
    loaded_ms: int = 0
    weak: set[int] = field(default_factory=set)
    """Blocks known to hold or have less: they fall by themselves, without being broken. Set from outside, not kept."""
    apart: float = nan
    """What the bank's voltage lay above the sum of the taps when no block stood out [V]."""
    before: list[float] = field(default_factory=list)
    """Volts by block of the frame before."""
    _stood: Row = field(default_factory=list)

    def push(self, moment: Moment, trusted: list[float]) -> list[Prompt]:
        """`trusted`: volts by block (b,), NaN where not read or doubted."""
        frame, limits, bank = moment.frame, moment.limits, self.ground.bank
        amps, rated = frame.amps, bank.rated_amp_hours
        if isnan(amps):
            return []
        charged = amps > 0.01 * rated
        if amps < -0.05 * rated:
            self.loaded_ms = frame.end_ms
        elif charged:
            self.pending.clear()
            self.reversed_ms.clear()
        told: list[Prompt] = []
        before, self.before = self.before, trusted
        if self._together(frame, trusted, charged, limits):
            return told
        self._stood = to_row(before)
        volts = to_row(trusted)
        per = bank.blocks_per_string
        for first in range(0, bank.blocks, per):
            known = [value for value in volts[first : first + per] if value is not None]
            if len(known) < 2:
                continue
            middle = median(known)
            if self.seen:
                self._charged(frame, volts, range(first, first + per), middle)
            if self._evaluable(frame, middle, limits):
                told.extend(self._short(frame, volts, range(first, first + per), middle, limits))
            told.extend(self._collapse(moment, volts, range(first, first + per), middle))
        return told

    def _together(self, frame: Frame, values: list[float], charged: bool, limits: Mapping[str, float]) -> bool:
        """Whether no block stands out, and none did: the usual case, told cheaply."""
        total = sum(values)
        if self.seen or self.pending or isnan(total):
            return False
        most = 0.9 * limits["shorted_cell_volts"]
        if max(values) - min(values) > most:
            return False
        self.apart = frame.mean_list[1] - total
        if charged:
            return True
        lows = frame.low_list[frame.layout.block_volts]
        return max(lows) - min(lows) < most

    def forget(self, block: int) -> None:
        """Another block sits there now."""
        for kept in (self.seen, self.breaks, self.pending, self.reversed_ms):
            kept.pop(block, None)

    # -- short --------------------------------------------------------------------------------------------------

    def _evaluable(self, frame: Frame, middle: float, limits: Mapping[str, float]) -> bool:
        rated, per_cell = self.ground.bank.rated_amp_hours, middle / self.ground.bank.cells_per_block
        if per_cell > limits["rest_volts_full"] + _ABOVE_REST:
            return False
        return frame.amps > -0.02 * rated and frame.end_ms - self.loaded_ms > _AFTER_LOAD_MS

    def _short(
        self, frame: Frame, volts: Sequence[float | None], group: range, middle: float, limits: Mapping[str, float]
    ) -> list[Prompt]:
        told = []
        for block in group:
            value = volts[block]
            if value is None:
                continue
            deviation = value - middle
            if deviation < -limits["shorted_cell_volts"] and self._believed(frame, volts, group, block, deviation):
                prompt = self._low(frame, block, deviation, limits)
                told.extend([prompt] if prompt else [])
                self._falls_away(block, value)
            elif block in self.seen and deviation > -0.5 * limits["shorted_cell_volts"]:
                told.extend(self._well(frame, block))
        return told

    def _charged(self, frame: Frame, volts: Sequence[float | None], group: range, middle: float) -> None:
        """A cell that is short lacks on charge what a cell has then, hardly more than at rest. A block that is nearly
        empty takes its charge far below its peers."""
        if frame.amps < _ON_CHARGE * self.ground.bank.rated_amp_hours:
            return
        for block in group:
            value, seen = volts[block], self.seen.get(block)
            if (
                value is not None
                and seen is not None
                and value - middle < min(seen.deviation, -_CELL_VOLTS) - _FAR_MORE
            ):
                seen.fell_ms, seen.steady = frame.end_ms, 0

    def _falls_away(self, block: int, value: float) -> None:
        """A short takes its whole cells and no more. A block that is flat goes on down, at any little current."""
        seen = self.seen[block]
        left = self.ground.bank.cells_per_block - max(round(-seen.deviation / _CELL_VOLTS), 1)
        if left > 0 and value < _STANDING_CELL * left:
            seen.steady = 0

    def _believed(
        self, frame: Frame, volts: Sequence[float | None], group: range, block: int, deviation: float
    ) -> bool:
        """Whether the bank's voltage has gone down with the block's, and the block gives a voltage at all."""
        cells, value = self.ground.bank.cells_per_block, volts[block]
        if value is None or (cells > 1 and value < 0.3 * cells):
            return False
        whole, taps = float(frame.means[1]), [volts[one] for one in group]
        if isnan(whole) or any(one is None for one in taps):
            return True
        return abs(sum(one for one in taps if one is not None) - whole) < 0.5 * abs(deviation)

    def _low(self, frame: Frame, block: int, deviation: float, limits: Mapping[str, float]) -> Prompt | None:
        seen = self.seen.setdefault(block, Seen(frame.start_ms, frame.start_ms))
        if frame.start_ms - seen.last_ms > FRAME_MS:
            seen.low_ms = 0
        seen.low_ms += FRAME_MS
        seen.last_ms, seen.well_ms = frame.end_ms, 0
        enough = seen.low_ms >= limits["shorted_cell_minutes"] * 60_000
        if not enough or (seen.occasions and frame.end_ms - seen.counted_ms < _OCCASION_MS):
            return None
        return self._count(block, seen, round(deviation, 3), frame.end_ms)

    @staticmethod
    def _count(block: int, seen: Seen, deviation: float, at_ms: int) -> Prompt:
        cells = -deviation / _CELL_VOLTS
        whole = abs(cells - max(round(cells), 1)) * _CELL_VOLTS < _WHOLE_CELLS
        same = not seen.occasions or abs(deviation - seen.deviation) < _SAME_VOLTS
        whole = whole and (not seen.fell_ms or at_ms - seen.fell_ms > _FELL_MS)
        seen.steady = (min(seen.steady, 98) + 1 if same else 1) if whole else 0
        seen.occasions, seen.counted_ms, seen.deviation = min(seen.occasions + 1, 99), at_ms, deviation
        return Prompt("short", block, seen.since_ms, deviation, seen.occasions, seen.steady)

    def _well(self, frame: Frame, block: int) -> list[Prompt]:
        seen = self.seen[block]
        seen.low_ms, seen.well_ms = 0, seen.well_ms + FRAME_MS
        if seen.well_ms < _WELL_MS:
            return []
        del self.seen[block]
        return [Prompt("well", block, frame.end_ms, 0.0, seen.occasions)] if seen.occasions else []

    def rested(self, block: int, volts: float, at_ms: int, start_ms: int, after_full: bool) -> Prompt | None:
        """A block at rest for six hours or more after a full charge, judged by its voltage alone."""
        missing = cells_missing(volts, self.ground.bank.cells_per_block, after_full)
        if not missing or missing == self.ground.bank.cells_per_block > 1:
            return None
        seen = self.seen.setdefault(block, Seen(start_ms, at_ms))
        if seen.occasions and at_ms - seen.counted_ms < _OCCASION_MS:
            return None
        return self._count(block, seen, -_CELL_VOLTS * missing, at_ms)

    # -- under load ---------------------------------------------------------------------------------------------

    def _collapse(self, moment: Moment, volts: Sequence[float | None], group: range, middle: float) -> list[Prompt]:
        frame, bank, limits = moment.frame, self.ground.bank, moment.limits
        told: list[Prompt] = []
        if frame.amps > 0.01 * bank.rated_amp_hours:
            return told
        lows = frame.low_list[frame.layout.block_volts]
        known = [lows[one] for one in group if volts[one] is not None]
        low_middle, cells = median(known), bank.cells_per_block
        drop = max(limits["shorted_cell_volts"], _COLLAPSE_PER_CELL * cells)
        if min(known) > low_middle - drop and not self.pending:
            return told
        loaded = frame.amps < -0.02 * bank.rated_amp_hours
        for block in group:
            value = volts[block]
            if value is None:
                continue
            low = lows[block]
            if low < low_middle - drop and block not in self.seen:
                broken = block not in self.weak and self._felt(frame, volts, block, low_middle - low)
                told.extend(self._fallen(moment, block, value, low, loaded, broken))
            elif block in self.pending and loaded and value > middle - _NORMAL_PER_CELL * cells:
                told.extend(self._back(frame, block))
        return told

    def _felt(self, frame: Frame, trusted: Sequence[float | None], block: int, fall: float) -> bool:
        """Whether the bank fell with the block, as it must in a single string: a tap that jumps by itself leaves it
        where it is. What cannot be told counts as yes, as where the bank is read less often than the taps."""
        counts, taps = frame.count_list, frame.layout.block_volts
        if self.ground.bank.strings > 1 or counts[1] < counts[taps][block]:
            return True
        if not frame.mean_list[1] - frame.low_list[1] < 0.5 * fall:
            return True
        value = trusted[block]
        if value is not None and value - frame.low_list[taps][block] > 0.5 * fall:
            return False
        # It was down all through the frame, and so must the bank have been, against what it stood above the sum.
        known = [one for one in trusted if one is not None]
        return len(known) < len(trusted) or not frame.mean_list[1] - sum(known) - self.apart > 0.5 * fall

    def _fallen(self, moment: Moment, block: int, value: float, low: float, loaded: bool, broken: bool) -> list[Prompt]:
        """`broken`: that it fell may be a break."""
        frame, bank, since_full = moment.frame, self.ground.bank, moment.since_full
        shallow = since_full is None or since_full.net_out_amp_hours < _NOT_DEEP * bank.rated_amp_hours
        if (
            broken
            and shallow
            and low < -0.5 * bank.cells_per_block
            and not loaded
            and value < 1.0 * bank.cells_per_block
        ):
            return [Prompt("open", block, frame.start_ms, round(low, 2))]
        known = [one for one in self._stood if one is not None]
        stood = self._stood[block] if known else None
        # In a bank that is nearly flat the weakest block falls at once by itself when a load comes.
        charged = since_full is None or since_full.net_out_amp_hours < _NEARLY_FLAT * bank.rated_amp_hours
        sudden = charged and stood is not None and stood > median(known) - _NORMAL_PER_CELL * bank.cells_per_block
        if broken and (shallow or sudden):
            self.pending[block] = round(low, 2)
        told = []
        if (
            block not in self.pending
            and loaded
            and value < moment.limits["reversed_volts_per_cell"] * bank.cells_per_block
        ):
            first = self.reversed_ms.setdefault(block, frame.start_ms)
            if frame.start_ms - first == FRAME_MS:
                told.append(Prompt("reversal", block, first, round(value, 2)))
        return told

    def _back(self, frame: Frame, block: int) -> list[Prompt]:
        """A block that fell and stands again under load, without a charge in between: it breaks and makes."""
        low = self.pending.pop(block)
        self.reversed_ms.pop(block, None)
        since, last, count = self.breaks.get(block, [frame.start_ms, frame.start_ms, 0])
        if frame.end_ms - last > _FORGOTTEN_MS:
            since, count = frame.start_ms, 0
        self.breaks[block] = [since, frame.end_ms, min(count + 1, 999)]
        if count + 1 >= _BREAKS:
            return [Prompt("open", block, since, low, count + 1)]
        return []

    # -- state --------------------------------------------------------------------------------------------------

    def to_plain(self) -> dict[str, Any]:
        return {
            "seen": {str(block): vars(seen) for block, seen in self.seen.items()},
            "breaks": {str(block): row for block, row in self.breaks.items()},
            "pending": {str(block): low for block, low in self.pending.items()},
            "reversed": {str(block): at for block, at in self.reversed_ms.items()},
            "loaded": self.loaded_ms,
            "before": to_row(self.before),
            "apart": None if isnan(self.apart) else self.apart,
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self.seen = {int(block): Seen(**row) for block, row in plain["seen"].items()}
        self.breaks = {int(block): row for block, row in plain["breaks"].items()}
        self.pending = {int(block): low for block, low in plain["pending"].items()}
        self.reversed_ms = {int(block): at for block, at in plain["reversed"].items()}
        self.loaded_ms, self.before = plain["loaded"], to_floats(plain["before"])
        self.apart = nan if plain["apart"] is None else plain["apart"]
