"""Shunts: what a label means, what a zero error costs, and what a wrong label does not show.

Sources: IEC 60051 (class and rated drop of shunts, from memory): a shunt gives its rated millivolts at its rated amps.
The rest is arithmetic.
"""

from __future__ import annotations

import numpy as np
import pytest
from wired_sites import faults, found, ground, sites

from loggerd.settings.channel import ChannelSettings
from loggerd.settings.domain import factor_and_shift

SEEDS = (4101, 4102)


def _amps(rated_amps: float, rated_millivolts: float, millivolts: float, sign: str = "charge_positive") -> float:
    """Amps by the settings of a channel that reads the drop in millivolts."""
    settings = ChannelSettings.model_validate(
        {
            "channel": "amps",
            "field": "drop",
            "unit": "mV",
            "sign": sign,
            "shunt": {"rated_amps": rated_amps, "rated_millivolts": rated_millivolts},
        }
    )
    factor, shift = factor_and_shift(settings.in_force()[0], settings.count_size)
    return (millivolts / settings.count_size * factor + shift) / 1000


@pytest.mark.parametrize(
    ("rated_amps", "rated_millivolts", "millivolts", "amps"), [(500, 50, 1.0, 10.0), (100, 75, 7.5, 10.0)]
)
def test_millivolts_to_amps(rated_amps: float, rated_millivolts: float, millivolts: float, amps: float) -> None:
    assert _amps(rated_amps, rated_millivolts, millivolts) == pytest.approx(amps, rel=1e-12)
    assert _amps(rated_amps, rated_millivolts, millivolts, "discharge_positive") == pytest.approx(-amps, rel=1e-12)


def test_ten_microvolts_of_offset_are_2_4_amp_hours_a_day() -> None:
    amps = _amps(500, 50, 0.010)
    assert amps * 24 == pytest.approx(2.4, rel=1e-12)
    assert amps * 24 * 7 == pytest.approx(16.8, rel=1e-12)


def test_a_75_millivolt_shunt_read_as_50_leaves_the_charge_factor_and_shows_in_the_capacity() -> None:
    for right, wrong in zip(sites("golf", SEEDS, 6), sites("golf", SEEDS, 6), strict=True):
        wrong.columns["amps"] *= 1.5
        ratios = []
        for site in (right, wrong):
            amps = site.columns["amps"]
            ratios.append(amps[amps > 0].sum() / -amps[amps < 0].sum())
        assert ratios[0] == pytest.approx(ratios[1], rel=1e-12)
        assert np.abs(wrong.columns["amps"]).sum() == pytest.approx(1.5 * np.abs(right.columns["amps"]).sum())
        assert ground(wrong).accuracy["amps"].offset is not None
        named = {(one.name, one.verdict) for one in faults(found(wrong))}
        assert named == {("meter.shunt_scale", "too_large")}
        assert faults(found(right)) == []
