"""What faults change in the blocks: one value per block, shape (banks, strings, blocks)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulators.judging.chemistry import Floats


@dataclass
class Condition:
    """All neutral in a healthy bank. Changed by `faults`, read by `Cells.refresh`."""

    size: Floats
    """Share of the whole block left, acid and plates: as if it were a smaller one."""
    plate: Floats
    """Share of active material left."""
    sulfate: Floats
    """Share of the design capacity locked as hard sulfate; its acid is missing."""
    ohmic: Floats
    gas: Floats
    leak_amps: Floats
    cells: Floats
    """Cells that give voltage."""
    link_ohms: Floats
    water: Floats
    """Share of the water left: less makes the acid stronger, and in the end uncovers plates."""
    strata: Floats
    """0 mixed, 1 layered; gassing mixes."""
    layering: Floats
    """Share of what is still mixed that one full charge without gas would layer. 0 in a healthy bank: what layers it
    has by evening, gas mixes each night."""
    heat_path: Floats
    """Factor on the thermal resistance to the air."""

    @classmethod
    def healthy(cls, shape: tuple[int, ...], cells_per_block: int) -> Condition:
        """Nothing wrong."""
        ones, zeros = np.ones(shape), np.zeros(shape)
        return cls(
            size=ones.copy(),
            plate=ones.copy(),
            sulfate=zeros.copy(),
            ohmic=ones.copy(),
            gas=ones.copy(),
            leak_amps=zeros.copy(),
            cells=ones * cells_per_block,
            link_ohms=zeros.copy(),
            water=ones.copy(),
            strata=zeros.copy(),
            layering=zeros.copy(),
            heat_path=ones.copy(),
        )
