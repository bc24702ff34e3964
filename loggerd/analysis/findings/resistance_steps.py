"""Load steps of one day to resistances by depth: what is used, and the robust figures made of it."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.frames import DAY_MS, Floats, Frame, Step
from loggerd.analysis.quantiles import student_95
from loggerd.model.bank import Bank

INTERVAL_BOUNDS = (1.4, 2.8, 6.3, 17.0, 42.0, 120.0)
"""Between the usual intervals of instruments [s]: resistances of different classes are never compared."""
DEPTH_BOUNDS = (0.25, 0.5)
"""Shares of the rated amp-hours drawn between which resistances are comparable."""
DEPTHS = len(DEPTH_BOUNDS) + 1
ANY_DEPTH = DEPTHS
"""All steps whatever their depth: less sharp, but sooner there where steps are few."""
LEAST_STEPS = 5
_MOST_ROWS = 32
_HUBER = 1.345
_MAD_TO_SD = 1.4826
_FAR_OUT = 5.0
_ENOUGH_FOR_HUBER = 8


def interval_class(seconds: float) -> int:
    """Which resistances this one may be compared with: those of the same class."""
    return bisect_right(INTERVAL_BOUNDS, seconds)


def depth_class(depth: float) -> int:
    """0 for the shallowest to DEPTHS - 1."""
    return bisect_right(DEPTH_BOUNDS, depth)


def at_reference(ohms: float, celsius: float, reference_celsius: float, per_kelvin: float) -> float:
    """A resistance [ohm] as it would be at the reference temperature; `per_kelvin` is a relative change [1/K].

    Taken as exponential, so that it stays positive in the cold.
    """
    return ohms * math.exp(-per_kelvin * (celsius - reference_celsius))


@dataclass(frozen=True)
class Estimate:
    """Ohms with the relative half width of their 95 % band, from `steps` steps."""

    ohms: float
    half_width: float
    steps: int


def without_outliers(ohms: Floats) -> npt.NDArray[np.bool_]:
    """Which of (n,) lie within five median absolute deviations of the median: (n,) bool."""
    middle = median(ohms.tolist())
    away = np.abs(ohms - middle)
    limit = max(_FAR_OUT * median(away.tolist()), 1e-12 + 1e-6 * abs(middle))
    return np.asarray(away <= limit)


def robust_ohms(amps: Floats, ohms: Floats) -> Estimate:
    """Resistance from steps: change of current (n,) and volts per ampere of each (n,), n at least 1.

    Outliers go first, then Huber's estimate of a straight line through the origin; with few steps the median, since
    a single spike spoils half of the pairs.
    """
    kept = without_outliers(ohms)
    amps, ohms = amps[kept], ohms[kept]
    middle = median(ohms.tolist())
    if len(ohms) >= _ENOUGH_FOR_HUBER:
        middle = _huber(amps, ohms, middle)
    spread = _MAD_TO_SD * median(np.abs(ohms - middle).tolist())
    if spread == 0.0 and len(ohms) > 1:
        spread = float(ohms.std(ddof=1))
    weights = amps**2
    effective = float(weights.sum() ** 2 / (weights**2).sum())
    if len(ohms) < 2 or middle == 0.0:
        return Estimate(middle, math.inf, len(ohms))
    # The median of normal scatter is known a quarter worse than its mean; Huber's lies between.
    half = 1.2533 * student_95(len(ohms) - 1) * spread / math.sqrt(effective)
    return Estimate(middle, half / abs(middle), len(ohms))


def _huber(amps: Floats, ohms: Floats, start: float) -> float:
    weights, sizes, slope = amps**2, np.abs(amps), start
    for _ in range(12):
        away = sizes * np.abs(ohms - slope)
        scale = _MAD_TO_SD * median(away.tolist())
        if scale == 0.0:
            return slope
        trusted = np.minimum(1.0, _HUBER * scale / np.maximum(away, 1e-300)) * weights
        before, slope = slope, float(np.add.reduce(trusted * ohms) / np.add.reduce(trusted))
        if slope == before:
            return slope
    return slope


@dataclass
class DaySteps:
    """Steps of one day that are usable, at most so many of each device, evenly thinned out.

    A row: interval class, interval [s], change of current [A], depth, degrees (or None), pairs of (0 for the bank
    or the number of a block, ohms at the reference temperature), and its day.
    """

    rows: dict[str, list[list[Any]]] = field(default_factory=dict)
    strides: dict[str, list[int]] = field(default_factory=dict)

    def takes(self, device: str) -> bool:
        """Whether the next step of a device is one to be added: every so manieth is."""
        stride = self.strides.setdefault(device, [1, 0])
        stride[1] += 1
        return not stride[1] % stride[0]

    def add(self, device: str, row: list[Any]) -> None:
        """Add the row of a step that was to be taken; they are taken twice as sparsely when there are too many."""
        kept = self.rows.setdefault(device, [])
        kept.append(row)
        if len(kept) > _MOST_ROWS:
            self.rows[device] = kept[1::2]
            self.strides[device][0] *= 2

    def main_class(self, device: str) -> int:
        """The interval class that most rows of a device have."""
        classes: list[int] = [row[0] for row in self.rows[device]]
        return max(sorted(set(classes)), key=classes.count)

    def to_plain(self) -> dict[str, Any]:
        return {"rows": self.rows, "strides": self.strides}

    @staticmethod
    def from_plain(plain: dict[str, Any]) -> DaySteps:
        return DaySteps(plain["rows"], plain["strides"])


def corrections(frame: Frame, limits: Mapping[str, float]) -> list[float]:
    """What brings the ohms of this frame's steps to the reference temperature: of the bank, and of each block."""
    reference, per_kelvin = limits["reference_celsius"], limits["ohms_per_kelvin"]

    def factor(celsius: float) -> float:
        return 1.0 if math.isnan(celsius) else at_reference(1.0, celsius, reference, per_kelvin)

    whole, degrees = factor(frame.celsius), frame.mean_list[frame.layout.block_celsius]
    return [whole, *[whole if math.isnan(one) else factor(one) for one in degrees]]


def row_of(step: Step, frame: Frame, depth: float, strings: int, factors: list[float]) -> list[Any]:
    """The row of a step; `factors`: the corrections of its frame.

    Ohms of a block hold for its string's share of the current, taken as equal.
    """
    ohms, celsius = step.ohms, frame.celsius
    pairs: list[list[float]] = []
    if not math.isnan(ohms[1]):
        pairs.append([0, ohms[1] * factors[0]])
    for block, value in enumerate(ohms[frame.layout.block_volts], start=1):
        if not math.isnan(value):
            pairs.append([block, value * strings * factors[block]])
    seconds, day = step.interval_seconds, frame.start_ms // DAY_MS
    known = None if math.isnan(celsius) else celsius
    return [interval_class(seconds), seconds, step.amps, depth, known, pairs, day]


@dataclass(frozen=True)
class DepthTable:
    """Steps of one or a few days: amps (n,), ohms (n, 1 + blocks) with the bank first, NaN where not read."""

    blocks_per_string: int
    amps: Floats
    ohms: Floats
    depth: float | None
    celsius: float | None
    interval_seconds: float

    @cached_property
    def block_ohms(self) -> Floats:
        """Median of each block (blocks,), NaN with too few steps."""
        return medians(self.ohms[:, 1:])

    @cached_property
    def bank(self) -> Estimate | None:
        """The bank's resistance; without its volts the sum of the blocks of string 1."""
        whole, blocks_per_string = self.ohms[:, 0], self.blocks_per_string
        if np.isnan(whole).all() and blocks_per_string:
            whole = self.ohms[:, 1 : 1 + blocks_per_string].sum(axis=1)
        known = ~np.isnan(whole)
        if known.sum() < LEAST_STEPS:
            return None
        return robust_ohms(self.amps[known], whole[known])

    def shares(self, blocks_per_string: int) -> Floats:
        """Resistance of each block against the median of the other blocks of its string (blocks,), NaN if unknown.

        Taken in each step, where all are read together; else from the day's medians.
        """
        blocks = self.ohms[:, 1:]
        together = (~np.isnan(blocks)).sum(axis=1) > 1
        if together.any():
            rows = blocks[together]
            return medians(rows / others(rows, blocks_per_string))
        daily = self.block_ohms[None, :]
        shares: Floats = (daily / others(daily, blocks_per_string))[0]
        return shares


def others(rows: Floats, per_string: int) -> Floats:
    """For each block the median of the other blocks of its string in the same row: (n, blocks), NaN without any."""
    result = np.full(rows.shape, np.nan)
    for first in range(0, rows.shape[1], max(per_string, 1)):
        part = rows[:, first : first + per_string]
        for column in range(part.shape[1]):
            rest = part[:, np.arange(part.shape[1]) != column]
            if rest.shape[1]:
                result[:, first + column] = _middles(rest.T)
    result[~(result > 0)] = np.nan
    return result


def medians(rows: Floats) -> Floats:
    """Median of each column (c,) of (n, c), NaN where fewer than LEAST_STEPS are known (or than there are rows)."""
    result = np.full(rows.shape[1], np.nan)
    enough = (~np.isnan(rows)).sum(axis=0) >= min(LEAST_STEPS, len(rows))
    if len(rows) and enough.any():
        result[enough] = _middles(rows[:, enough])
    return result


def _middles(rows: Floats) -> Floats:
    """Median of what is known of each column (c,) of (n, c), NaN where nothing is; n at least 1."""
    ordered, known = np.sort(rows, axis=0), (~np.isnan(rows)).sum(axis=0)
    columns = np.arange(rows.shape[1])
    middles: Floats = (ordered[(known - 1) // 2, columns] + ordered[known // 2, columns]) / 2
    return middles


def enough(rows: Sequence[list[Any]]) -> bool:
    """Whether the voltage that is read most often has enough steps."""
    counts: dict[float, int] = {}
    for row in rows:
        for column, _ in row[5]:
            counts[column] = counts.get(column, 0) + 1
    return max(counts.values(), default=0) >= LEAST_STEPS


def table_of(rows: Sequence[list[Any]], bank: Bank) -> DepthTable:
    """Rows, at least one, side by side."""
    ohms = [[math.nan] * (1 + bank.blocks) for _ in rows]
    for its_own, row in zip(ohms, rows, strict=True):
        for column, value in row[5]:
            its_own[int(column)] = value
    return DepthTable(
        bank.blocks_per_string,
        np.array([row[2] for row in rows]),
        np.array(ohms),
        _mean([row[3] for row in rows]),
        _mean([row[4] for row in rows]),
        median([row[1] for row in rows]),
    )


def _mean(values: list[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return math.fsum(known) / len(known) if known else None


def usual_ohm_amp_hours(limits: Mapping[str, float]) -> float:
    """The middle of what cells can have, resistance times rated amp-hours [ohm Ah]."""
    return math.sqrt(limits["cell_ohm_amp_hours_low"] * limits["cell_ohm_amp_hours_high"])
