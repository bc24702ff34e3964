"""Stage 1: the label of each reading of the current: charge (+1), rest (0) or discharge (-1).

Hysteresis with a sign clause. Beyond `high` the sign decides; inside `low` it is rest; in the band between them the
label before holds as long as the current has its sign, otherwise it is rest. Without the sign clause a discharge
would survive a small charge current. The label of reading k depends on readings up to k only, so any grouping of
the readings gives the same labels.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from loggerd.model.scan import Integers

Labels = npt.NDArray[np.int8]


def label_readings(milliamps: Integers, high: int, low: int, before: int) -> Labels:
    """Labels (n,) of the currents (n,) in milliamps, charge positive, after a reading labelled `before`."""
    labels = (milliamps > high).astype(np.int8)
    labels -= milliamps < -high
    band = (labels == 0) & ((milliamps >= low) | (milliamps <= -low))
    if not band.any():
        return labels
    return _fill_band(labels, band, milliamps, before)


def _fill_band(labels: Labels, band: npt.NDArray[np.bool_], milliamps: Integers, before: int) -> Labels:
    """Carry the last decided label into the band samples that still have its sign."""
    at = np.flatnonzero(band)
    positive = milliamps[at] > 0
    # Index, among all samples, of the last decided one before each band sample; -1 means `before`.
    position = np.arange(len(labels), dtype=np.int64)
    position[at] = -1
    last = np.maximum.accumulate(position)[at]
    carried = np.where(last >= 0, labels[last], np.int8(before))
    # A band sample of the other sign since the decided one ends the carried label for the rest of its stretch.
    latest_negative = np.maximum.accumulate(np.where(positive, -1, at))
    latest_positive = np.maximum.accumulate(np.where(positive, at, -1))
    ended = ((carried > 0) & (latest_negative > last)) | ((carried < 0) & (latest_positive > last))
    labels[at] = np.where(ended, 0, carried)
    return labels


def label_one(milliamps: int, high: int, low: int, before: int) -> int:
    """The same rule for a single reading, written as it is read; the tests hold the two against each other."""
    if milliamps > high:
        return 1
    if milliamps < -high:
        return -1
    if -low < milliamps < low:
        return 0
    sign = 1 if milliamps > 0 else -1
    return before if before == sign else 0
