"""How blocks wear: capacity lost by use and by the calendar, resistance gained, sulfate when left uncharged.

Rates are invented: about 800 full cycles to 80 %, sulfation within a month or two at half charge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulators.electrochemistry import Floats

_FADE_PER_CYCLE = 0.2 / 800
_FADE_PER_HOUR = 0.02 / 8766
_SULFATION_PER_HOUR = 0.5 / 720
_DISSOLVED_PER_HOUR = 0.08


@dataclass
class Ageing:
    """State of wear, one value per block. `sulfate` runs from 0 to 1; `weak` is what a fault left of the capacity."""

    cycles: Floats
    hours: float
    sulfate: Floats
    weak: Floats

    @classmethod
    def after(cls, cycles: float, shape: tuple[int, int]) -> Ageing:
        """Blocks that have done that many full cycles and have been kept well."""
        return cls(np.full(shape, float(cycles)), cycles * 36.0, np.zeros(shape), np.ones(shape))

    def pass_time(self, hours: float, cycles: Floats, fill: Floats, volts_per_cell: Floats) -> None:
        """Let `hours` pass, with `cycles` equivalent full cycles in them, at this fill and these cell volts."""
        self.hours += hours
        self.cycles += cycles
        grown = _SULFATION_PER_HOUR * np.clip(0.85 - fill, 0.0, 1.0) * hours
        dissolved = np.where(volts_per_cell > 2.33, _DISSOLVED_PER_HOUR * hours, 0.0)
        self.sulfate = np.clip(self.sulfate + grown - dissolved * self.sulfate, 0.0, 1.0)

    @property
    def fade(self) -> Floats:
        return np.minimum(_FADE_PER_CYCLE * self.cycles + _FADE_PER_HOUR * self.hours, 0.6)

    @property
    def capacity(self) -> Floats:
        """Factor on the charge that a full block holds."""
        return (1.0 - self.fade) * (1.0 - 0.3 * self.sulfate) * self.weak

    @property
    def resistance(self) -> Floats:
        """Factor on the resistances; grows faster than the capacity fades, and with a weak block's lost plate."""
        return (1.0 + 1.5 * self.fade) / np.sqrt(self.weak)

    @property
    def charge_resistance(self) -> Floats:
        """Further factor on the charge resistance: sulfate takes charge unwillingly."""
        return 1.0 + 1.5 * self.sulfate
