"""Jumps of the current between two steady states, and what the voltages did: the material of resistances.

Both sides must be steady for two readings, so that readings of current and voltage a little apart in time do no harm;
where a device is read often, the voltage is taken one reading after the jump for the same reason.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import repeat

import numpy as np

from loggerd.analysis.frames import FRAME_MS, MOST_STEPS, Floats, Step
from loggerd.model.channels import MISSING
from loggerd.model.scan import Integers

_STEADY = 10
"""A side is steady if it moves by less than one part in so many of the jump."""
_OFTEN_MS = 10_000
_KEPT = 3


@dataclass(slots=True)
class StepRows:
    """Steps of one device side by side, in order of time: they are made when the first frame asks for its own. Lists
    (s,), `volts` (s, c); `whole`: the steps, once they are made."""

    device: str
    at_ms: list[int]
    amps: list[float]
    volts: Floats
    seconds: list[float]
    bank_volts: list[float]
    bank_ohms: list[float]
    whole: list[Step] | None = None

    def made(self, begin: int, end: int) -> list[Step]:
        """Those of a range."""
        if self.whole is None:
            columns = (self.amps, self.volts, self.seconds, self.bank_volts, self.bank_ohms)
            self.whole = list(map(Step._make, zip(self.at_ms, repeat(self.device), *columns, strict=False)))
        return self.whole[begin:end]


@dataclass
class StepWatch:
    """Finds the steps of one device. `columns`: which columns of the layout it reads, in order of its arrays.

    Keeps the last three readings: rows of time, current and voltages.
    """

    device: str
    width: int
    columns: tuple[int, ...] = ()
    kept: list[list[int]] = field(default_factory=list)

    def push(
        self,
        at_ms: Integers,
        milliamps: Integers,
        millivolts: dict[int, Integers],
        least_milliamps: int,
        interval_ms: int,
    ) -> StepRows | None:
        """Steps that these readings settle; None without any.

        at_ms, milliamps (n,), `millivolts` (n,) by column of the layout; MISSING allowed. `least_milliamps`: the
        smallest jump that counts.
        """
        columns = tuple(sorted(millivolts))
        if columns != self.columns:
            self.columns, self.kept = columns, []
        before = np.array(self.kept, dtype=np.int64).reshape(-1, 2 + len(columns)).T
        at = np.concatenate([before[0], at_ms]) if len(self.kept) else at_ms
        amps = np.concatenate([before[1], milliamps]) if len(self.kept) else milliamps
        found = _first_of_frames(at, _settled(at, amps, least_milliamps, 8 * interval_ms))
        steps: StepRows | None = None
        if len(found):
            after = found if interval_ms < _OFTEN_MS else found - 1
            volts = [(before[2 + place], millivolts[one]) for place, one in enumerate(columns)]
            steps = self._steps(at, amps, volts, found, after)
        self._keep(at_ms, milliamps, millivolts)
        return steps

    def _steps(
        self, at: Integers, amps: Integers, volts: list[tuple[Integers, Integers]], found: Integers, after: Integers
    ) -> StepRows:
        """`volts`: by column, the readings that were kept and the new ones. `after`: indices (s,) of the readings that
        end each jump."""
        whole = np.full((len(found), self.width), np.nan)
        before = found - 2
        ends = np.array([_taken(kept, new, after) for kept, new in volts])
        begins = np.array([_taken(kept, new, before) for kept, new in volts])
        missing = (ends == MISSING) | (begins == MISSING)
        whole[:, self.columns] = np.where(missing, np.nan, (ends - begins) / 1000).T
        jumps = (amps[after] - amps[before]) / 1000
        seconds = (at[after] - at[before]) / 1000
        volts_of_bank, ohms_of_bank = _bank_changes(whole, jumps)
        return StepRows(
            self.device,
            at[found].tolist(),
            jumps.tolist(),
            whole,
            seconds.tolist(),
            volts_of_bank.tolist(),
            ohms_of_bank.tolist(),
        )

    def _keep(self, at_ms: Integers, milliamps: Integers, millivolts: dict[int, Integers]) -> None:
        first = max(0, len(at_ms) - _KEPT)
        rows = [
            [int(at_ms[row]), int(milliamps[row]), *(int(millivolts[one][row]) for one in self.columns)]
            for row in range(first, len(at_ms))
        ]
        self.kept = [*self.kept, *rows][-_KEPT:]

    def to_plain(self) -> dict[str, object]:
        return {"columns": list(self.columns), "kept": self.kept}

    def load_plain(self, plain: dict[str, list[list[int]]]) -> None:
        self.columns, self.kept = tuple(plain["columns"]), plain["kept"]  # type: ignore[arg-type]


def _bank_changes(volts: Floats, amps: Floats) -> tuple[Floats, Floats]:
    """Volts and volts per ampere of the bank (s,) in steps: changes of voltage (s, c) and of current (s,).

    To the last bit as for a step by itself: added column by column.
    """
    ohms = volts / amps[:, None]
    known = ~np.isnan(volts)
    total, share, count = np.zeros(len(volts)), np.zeros(len(volts)), np.zeros(len(volts), dtype=np.int64)
    for column in np.flatnonzero(known.any(axis=0)).tolist():
        if column != 1:
            here = known[:, column]
            total += np.where(here, volts[:, column], 0.0)
            share += np.where(here, ohms[:, column], 0.0)
            count += here
    share = np.where(count > 0, share, np.nan) / np.maximum(count, 1)
    read = known[:, 1]
    return np.where(read, volts[:, 1], total), np.where(read, ohms[:, 1], share)


def _taken(kept: Integers, new: Integers, where: Integers) -> Integers:
    """Elements at rising indices (s,) of both arrays, the one behind the other, without putting them together."""
    early = int(np.searchsorted(where, len(kept)))
    if not early:
        return new[where - len(kept)]
    return np.concatenate([kept[where[:early]], new[where[early:] - len(kept)]])


def _first_of_frames(at: Integers, found: Integers) -> Integers:
    """Of the indices in each frame the first few: more are not kept."""
    if len(found) <= MOST_STEPS:
        return found
    frames = at[found] // FRAME_MS
    begins = np.searchsorted(frames, frames)
    few: Integers = found[np.arange(len(found)) - begins < MOST_STEPS]
    return few


def _settled(at: Integers, amps: Integers, least: int, longest_ms: int) -> Integers:
    """Indices (s,) of the readings that settle a step: second after the jump."""
    nothing = np.empty(0, dtype=np.int64)
    if len(amps) < _KEPT + 1:
        return nothing
    jump = np.abs(amps[2:-1] - amps[1:-2])
    where = np.flatnonzero(jump >= -(-least * (_STEADY - 1) // _STEADY)) + 3
    if not len(where):
        return nothing
    d, c, b, a = amps[where - 3], amps[where - 2], amps[where - 1], amps[where]
    known = (a != MISSING) & (b != MISSING) & (c != MISSING) & (d != MISSING)
    change = np.abs(a - c)
    steady = (np.abs(a - b) * _STEADY <= change) & (np.abs(c - d) * _STEADY <= change)
    near = at[where] - at[where - 3] <= longest_ms
    settled: Integers = where[known & (change >= least) & steady & near]
    return settled
