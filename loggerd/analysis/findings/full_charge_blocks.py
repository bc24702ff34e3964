"""Is one block far behind the others when the charge of its string is over? The string's current cannot tell."""

from __future__ import annotations

from dataclasses import dataclass

from loggerd.analysis.findings.catalogue import Ground
from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.findings.full_charge_reading import Limits
from loggerd.analysis.frames import Frame

_LEAST_BLOCKS = 3
_PLAUSIBLE = (0.5, 3.5)
"""Volts per cell of a block on charge: outside of it the tap is wrong."""


@dataclass(frozen=True)
class Behind:
    """A block (counted from 1) and how far it is below the middle of the others [V per cell]."""

    block: int
    volts: float


def block_behind(frame: Frame, ground: Ground, limits: Limits) -> Behind | None:
    """The lowest block, if it does not gas while the others do; None also where too few blocks are read."""
    cells = ground.bank.cells_per_block
    shown = [volts / cells for volts in frame.mean_list[ground.layout.block_volts]]
    low, high = _PLAUSIBLE
    known = [(volts, number) for number, volts in enumerate(shown, 1) if low <= volts <= high]
    if len(known) < _LEAST_BLOCKS:
        return None
    volts, block = min(known)
    below = median([one for one, _ in known]) - volts
    return Behind(block, below) if below > limits["full_block_behind_volts"] else None
