"""What one would write with floats in memory and no doubts: the baseline that replay is measured against.

Hysteresis by forward fill and trapezoid sums for each run, in pieces that fit the processor's cache. No marks, no
bands, no dwell, no gaps, no record, no restart; and sums that depend on how the readings are grouped.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

PIECE = 32_768


def labels_of(values: Floats, high: float, low: float, before: int) -> npt.NDArray[np.int8]:
    """+1, 0, -1 with hysteresis: a reading between `low` and `high` keeps the last label, if it has its sign."""
    labels = np.zeros(len(values), dtype=np.int8)
    labels[values > high] = 1
    labels[values < -high] = -1
    size = np.abs(values)
    decided = np.where((size > high) | (size < low), np.arange(len(values)), -1)
    last = np.maximum.accumulate(decided)
    carried = np.where(last >= 0, labels[last], before).astype(np.int8)
    return np.where(np.sign(values) == carried, carried, np.where(size > high, labels, 0)).astype(np.int8)


def segment_and_integrate(seconds: Floats, values: Floats, volts: Floats, high: float) -> tuple[int, float, float]:
    """One channel: number of runs, and the integrals of value and of value times volts over all of them."""
    runs, charge, energy, label = 0, 0.0, 0.0, 0
    for start in range(0, len(values), PIECE):
        first = max(start - 1, 0)
        x, t, v = (column[first : start + PIECE] for column in (values, seconds, volts))
        labels = labels_of(x, high, 0.6 * high, label)
        power = x * v
        step = np.diff(t) * 0.5
        sums = (x[1:] + x[:-1]) * step
        joules = (power[1:] + power[:-1]) * step
        begins = np.concatenate([[0], np.flatnonzero(labels[2:] != labels[1:-1]) + 1])
        per_run, energy_per_run = np.add.reduceat(sums, begins), np.add.reduceat(joules, begins)
        runs += len(begins)
        charge += float(per_run.sum())
        energy += float(energy_per_run.sum())
        label = int(labels[-1])
    return runs, charge, energy


def segment_once(seconds: Floats, columns: list[Floats], high: float) -> list[float]:
    """The leaner way: runs of the current alone (the first column), and every channel's integral over them."""
    totals = [0.0] * len(columns)
    label = 0
    for start in range(0, len(seconds), PIECE):
        first = max(start - 1, 0)
        pieces = [column[first : start + PIECE] for column in columns]
        labels = labels_of(pieces[0], high, 0.6 * high, label)
        step = np.diff(seconds[first : start + PIECE]) * 0.5
        begins = np.concatenate([[0], np.flatnonzero(labels[2:] != labels[1:-1]) + 1])
        for number, x in enumerate(pieces):
            totals[number] += float(np.add.reduceat((x[1:] + x[:-1]) * step, begins).sum())
        label = int(labels[-1])
    return totals
