"""What a file of readings says of its own sensors: the noise of a reading and the usual time between readings."""

from __future__ import annotations

import numpy as np

from loggerd.model.channels import MISSING
from loggerd.model.scan import Integers

_BLOCK = 100
_NORMAL = 0.6745
"""Median of the magnitude of a standard normal variable."""


def reading_noise(values: Integers) -> float:
    """Standard deviation of a single reading, in the unit of `values` (n,), from its quietest stretches.

    Second differences leave steady slopes out; the median leaves jumps out; the lowest tenth of all blocks of 100
    readings leaves out stretches in which the load itself moves. 0.0 for fewer than 10 readings.
    """
    known = values[values != MISSING].astype(np.float64)
    if len(known) < 10:
        return 0.0
    second = np.abs(np.diff(known, n=2))
    usable = len(second) // _BLOCK * _BLOCK
    blocks = second[:usable].reshape(-1, _BLOCK) if usable else second.reshape(1, -1)
    medians = np.sort(np.median(blocks, axis=1))
    quiet = float(medians[len(medians) // 10])
    return quiet / _NORMAL / 6**0.5


def usual_interval_ms(at_ms: Integers) -> int:
    """Median time between readings (n,), 1000 ms if there are fewer than two."""
    if len(at_ms) < 2:
        return 1000
    return max(1, int(np.median(np.diff(at_ms))))
