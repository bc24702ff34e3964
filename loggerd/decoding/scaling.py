"""Raw counts to the integer units of the analysis, by dated scales. Raw counts are never changed."""

from __future__ import annotations

import numpy as np

from loggerd.model.bank import SeriesScale
from loggerd.model.channels import MISSING
from loggerd.model.scan import Integers

_LARGEST = float(2**53)


def to_fine(counts: Integers, at_ms: Integers, scales: tuple[SeriesScale, ...]) -> Integers:
    """Counts (n,) of one series read at `at_ms` (n,), rising, as fine units (mV, mA, m°C, mAh).

    Each reading takes the scale in force at its time. MISSING stays MISSING.
    """
    if len(scales) == 1:
        return _scaled(counts, scales[0])
    starts = np.array([scale.since_ms for scale in scales[1:]], dtype=np.int64)
    cuts = [0, *np.searchsorted(at_ms, starts, side="left").tolist(), len(counts)]
    parts = [
        _scaled(counts[low:high], scale)
        for scale, low, high in zip(scales, cuts[:-1], cuts[1:], strict=True)
        if high > low
    ]
    return np.concatenate(parts) if parts else counts


def _scaled(counts: Integers, scale: SeriesScale) -> Integers:
    if scale.factor == 1.0 and scale.shift == 0.0:
        return counts
    missing = np.flatnonzero(counts == MISSING) if counts.size and counts.min() == MISSING else None
    if missing is not None:
        counts = counts.copy()
        counts[missing] = 0
    fine = _whole_scaled(counts, scale)
    if fine is None:
        fine = _scaled_by_float(counts, scale)
    if missing is not None:
        fine[missing] = MISSING
    return fine


def _whole_scaled(counts: Integers, scale: SeriesScale) -> Integers | None:
    """Scaled in whole numbers, which is faster, where that is exactly what floats would give."""
    if not (scale.factor.is_integer() and scale.shift.is_integer() and counts.size):
        return None
    largest = max(abs(int(counts.min())), abs(int(counts.max())))
    if largest * abs(scale.factor) + abs(scale.shift) >= _LARGEST:
        return None
    fine = counts * int(scale.factor)
    if scale.shift:
        fine += int(scale.shift)
    return fine


def _scaled_by_float(counts: Integers, scale: SeriesScale) -> Integers:
    fine = counts * scale.factor
    if scale.shift:
        fine += scale.shift
    np.rint(fine, out=fine)
    if fine.size and max(-float(fine.min()), float(fine.max())) > _LARGEST:
        fine.clip(-_LARGEST, _LARGEST, out=fine)
    return fine.astype(np.int64)


def scale_at(scales: tuple[SeriesScale, ...], at_ms: int) -> SeriesScale:
    """The scale in force at an instant."""
    current = scales[0]
    for scale in scales[1:]:
        if scale.since_ms is not None and scale.since_ms <= at_ms:
            current = scale
    return current
