"""The [[bank]] table."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field

from loggerd.model.bank import BankType
from loggerd.settings.base import Name, Table
from loggerd.settings.limits import LimitSettings

_CELLS = "a whole number from 1 to 12, or 18 or 24: cells of 2 V in one block (6 in a 12 V block)"


def _plausible_cells(cells: int) -> int:
    if cells not in {*range(1, 13), 18, 24}:
        raise ValueError(_CELLS)
    return cells


class BankSettings(Table):
    """One bank: parallel strings of blocks in series."""

    name: Name = Field(
        description='the name of the bank: 1 to 60 characters without ", \\ and /, used by no other bank'
    )
    type: BankType = Field(
        strict=False,
        description='the construction of the blocks: "flooded_antimony", "flooded_calcium", "agm" or "gel"',
    )
    strings: int = Field(ge=1, le=32, description="a whole number from 1 to 32: strings in parallel")
    blocks_per_string: int = Field(
        ge=1, le=400, description="a whole number from 1 to 400: blocks in series in each string"
    )
    cells_per_block: Annotated[int, AfterValidator(_plausible_cells)] = Field(description=_CELLS)
    rated_amp_hours: float = Field(
        ge=0.1, le=50_000, description="a number from 0.1 to 50000: rated Ah of the whole bank"
    )
    rated_hours: float = Field(
        ge=0.1, le=240, description="a number from 0.1 to 240: the hours of the rating (20 for a 20-hour rating)"
    )
    rated_volts: float | None = Field(
        default=None, gt=0, description="a number: rated volts of the bank, 2 V for each cell in series"
    )
    dwell_seconds: float = Field(
        default=120,
        ge=1,
        le=86_400,
        description="a number from 1 to 86400: seconds that charge, rest or discharge must last to count as a phase",
    )
    minimum_swing: float = Field(
        default=0.04,
        gt=0,
        le=1,
        description=(
            "a number above 0, at most 1: fraction of the rated Ah that makes a discharge/charge pair a cycle"
        ),
    )
    limits: tuple[LimitSettings, ...] = Field(
        default=(),
        alias="limit",
        strict=False,
        max_length=1000,
        description="tables headed [[bank.limit]]: limits that replace those of the type",
    )

    @property
    def cells_in_series(self) -> int:
        return self.blocks_per_string * self.cells_per_block

    @property
    def blocks(self) -> int:
        return self.strings * self.blocks_per_string
