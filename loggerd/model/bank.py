"""The bank as the trade describes it, and what is known of the sensors that read it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from loggerd.model.channels import Channel


class BankType(Enum):
    """Construction of the blocks; presets of limits go by it."""

    FLOODED_ANTIMONY = "flooded_antimony"
    FLOODED_CALCIUM = "flooded_calcium"
    AGM = "agm"
    GEL = "gel"

    @property
    def sealed(self) -> bool:
        """Whether nobody can fill water into its blocks, and their gas recombines."""
        return self in (BankType.AGM, BankType.GEL)


@dataclass(frozen=True)
class Bank:
    """A bank: `strings` parallel strings of `blocks_per_string` blocks in series.

    Position 1 is the positive end of string 1; numbering runs through string 1, then string 2, and so on.
    `rated_amp_hours` is of the whole bank, at the `rated_hours` rate.
    """

    name: str
    type: BankType
    strings: int
    blocks_per_string: int
    cells_per_block: int
    rated_amp_hours: float
    rated_hours: float

    @property
    def cells_in_series(self) -> int:
        return self.blocks_per_string * self.cells_per_block

    @property
    def nominal_volts(self) -> float:
        return 2.0 * self.cells_in_series

    @property
    def blocks(self) -> int:
        return self.strings * self.blocks_per_string

    def string_of_block(self, block: int) -> int:
        """String (from 1) in which block (from 1) sits."""
        return (block - 1) // self.blocks_per_string + 1


@dataclass(frozen=True)
class Accuracy:
    """Stated accuracy of one channel, as limits of error (about two standard deviations), in keeper's units.

    `gain` is a fraction of the reading (0.005 for 0.5 %); `offset` a constant error bound; `noise` the standard
    deviation of a single reading; `resolution` the smallest step; `range` the largest value it is made for.
    None means: not stated.
    """

    gain: float | None = None
    offset: float | None = None
    noise: float | None = None
    resolution: float = 0.0
    range: float | None = None


@dataclass(frozen=True)
class SeriesScale:
    """How raw counts of one series become fine units (mA, mV, m°C, mAh) from one instant on.

    fine = rint(count * factor + shift); `since_ms` is epoch milliseconds, None means from the beginning.
    `valid` is (low, high) in fine units. `gain`, `offset` as in Accuracy. The raw counts themselves never change.
    """

    since_ms: int | None
    factor: float
    shift: float
    valid: tuple[int, int]
    accuracy: Accuracy
    because: str = ""


@dataclass(frozen=True)
class Series:
    """One column of raw counts in the record: what a device reports at one place, feeding one channel.

    `place` tells where the number is read; a channel that moves to another place begins a new series.
    `resolution` is the size of one count in the device's own unit, for readings that do not arrive as integers.
    `scales` are in order of `since_ms`, the first from the beginning.
    """

    device: str
    bank: str
    channel: Channel
    place: str
    resolution: float
    unit: str
    scales: tuple[SeriesScale, ...]

    @property
    def key(self) -> tuple[str, str, str, str, float]:
        """What makes it the same series in the record."""
        return (self.device, self.bank, self.channel.name, self.place, self.resolution)
