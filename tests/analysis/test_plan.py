"""Thresholds of charge and discharge."""

from __future__ import annotations

from dataclasses import replace

import pytest
from fold_tools import NO_LIMIT, bank

from loggerd.analysis.plan import thresholds
from loggerd.model.bank import Accuracy, SeriesScale

SHUNT_OF_500_AMPS = (-500_000, 500_000)


def _scale(valid: tuple[int, int] = NO_LIMIT, **accuracy: float) -> SeriesScale:
    return SeriesScale(None, 1.0, 0.0, valid, Accuracy(**accuracy))


@pytest.mark.parametrize(
    ("scale", "high", "low", "because"),
    [
        # 1.2 x 0.1 A
        (_scale(offset=0.1), 120, 72, "stated offset, 0.1 A"),
        # 4.5 x 0.05 A is more than 1.2 x 0.1 A
        (_scale(offset=0.1, noise=0.05), 225, 135, "noise of 0.05 A"),
        # two steps of 0.1 A
        (_scale(offset=0.1, noise=0.01, resolution=0.1), 200, 120, "steps of 0.1 A"),
        # nothing stated: 1/1000 of 200 Ah, or of a range of 500 A; the valid range says nothing of the sensor
        (_scale(), 240, 144, "offset not stated, 0.2 A"),
        (_scale(range=500.0), 600, 360, "offset not stated, 0.5 A"),
        (_scale(SHUNT_OF_500_AMPS), 240, 144, "offset not stated, 0.2 A"),
        # an offset of nothing leaves the smallest step there is
        (_scale(offset=0.0), 2, 1, "stated offset, 0 A"),
    ],
)
def test_what_sets_the_thresholds(scale: SeriesScale, high: int, low: int, because: str) -> None:
    limits = thresholds(bank(200.0), scale)
    assert (limits.high, limits.low, limits.because) == (high, low, because)


def test_what_the_sensor_can_be_wrong_by_is_handed_on_in_milliamps() -> None:
    limits = thresholds(bank(200.0), _scale(gain=0.005, offset=0.25, noise=0.01))
    assert (limits.gain, limits.offset, limits.noise) == (0.005, 250.0, 10.0)
    unknown = thresholds(bank(200.0), replace(_scale(), accuracy=Accuracy()))
    assert (unknown.gain, unknown.offset, unknown.noise) == (0.01, 200.0, 0.0)
    assert thresholds(bank(200.0), _scale(gain=0.0)).gain == 0.0
