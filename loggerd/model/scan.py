"""Scans: all channels of one device read at one instant, in raw counts, as columns."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

Integers: TypeAlias = npt.NDArray[np.int64]


class ClockState(IntEnum):
    """What the operating system said of the wall clock when a scan was stamped."""

    SET = 0
    NOT_SET = 1


@dataclass(frozen=True)
class Scan:
    """One scan as a source delivers it: raw counts in the order of the device's series, MISSING allowed.

    A source does not stamp: the recorder stamps each scan as it is delivered.
    """

    device: str
    counts: tuple[int, ...]


@dataclass(frozen=True)
class ScanBlock:
    """Stamped scans of one device as columns of int64, all of length n, in strictly rising `mono_ms`.

    `boot` numbers the runs of the monotonic clock (a restart of the board begins a new one); `mono_ms` are
    milliseconds of that clock; `wall_minus_mono_ms` is epoch milliseconds minus `mono_ms` as the wall clock stood
    then; `clock` holds ClockState values; `counts` has one column for each entry of `series` (ids of the record,
    or positions in a list of series outside a record). Raw, as read: nothing is ever changed here.
    """

    device: str
    boot: int
    series: tuple[int, ...]
    mono_ms: Integers
    wall_minus_mono_ms: Integers
    clock: Integers
    counts: tuple[Integers, ...]

    def __len__(self) -> int:
        return len(self.mono_ms)

    def slice(self, start: int, stop: int) -> ScanBlock:
        """Scans start..stop-1 as a block of their own (views, no copy)."""
        return ScanBlock(
            self.device,
            self.boot,
            self.series,
            self.mono_ms[start:stop],
            self.wall_minus_mono_ms[start:stop],
            self.clock[start:stop],
            tuple(column[start:stop] for column in self.counts),
        )
