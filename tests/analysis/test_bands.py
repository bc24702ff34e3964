"""What makes up a band, by hand."""

from __future__ import annotations

from math import sqrt

import pytest

from loggerd.analysis.bands import NOTHING, Charge, amp_hours, inward, outward, watt_hours
from loggerd.analysis.plan import Thresholds
from loggerd.analysis.stretch import CHARGE2_PER_AMP_HOUR, VARIATION_SHIFT, Spread, Stretch

HOUR = 3_600_000
LIMITS = Thresholds(120, 72, 100.0, 0.005, 0.0, "stated")


def _discharge(hours: int = 10, amps: int = -10, **more: int) -> Stretch:
    """10 h at 10 A at 48 V, one reading every 10 s."""
    milliamps, charge2, time2 = amps * 1000, amps * hours * CHARGE2_PER_AMP_HOUR, 2 * hours * HOUR
    stretch = Stretch(
        -1, 1, 0, 1, hours * HOUR, readings=360 * hours, time2=time2, charge2=charge2, energy2=48 * charge2, **more
    )
    stretch.share_by_label()
    stretch.spreads["amps"] = Spread(milliamps - 2_000, milliamps + 1_000, milliamps * 360 * hours, 360 * hours)
    stretch.spreads["volts"] = Spread(47_000, 49_000, 48_000 * 360 * hours, 360 * hours)
    return stretch


def test_gain_and_offset() -> None:
    """0.5 % of 100 Ah and 0.1 A for 10 h: sqrt(0.5^2 + 1^2)."""
    charge = amp_hours(_discharge(), LIMITS)
    assert (charge.value, charge.span_hours, charge.random) == (-100.0, 10.0, 0.0)
    low, high = charge.band(0.005, 0.1)
    assert (high - low) / 2 == pytest.approx(sqrt(1.25))
    assert (high + low) / 2 == -100.0


def test_noise_averages_out_over_the_readings() -> None:
    """0.5 A of noise, 3600 readings of 10 s: twice 0.5 x 10 h / 60."""
    noisy = Thresholds(120, 72, 0.0, 0.0, 500.0, "noise")
    assert amp_hours(_discharge(), noisy).random == pytest.approx(2 * 0.5 * 10 / 60)


def test_a_filled_gap_is_open_between_the_lowest_and_the_highest_current() -> None:
    """Half an hour; mean -10 A, extremes -12 and -9 A."""
    charge = amp_hours(_discharge(filled_ms=HOUR // 2), LIMITS)
    assert (charge.below, charge.above) == pytest.approx((1.0, 0.5))


def test_what_a_lost_gap_may_hide() -> None:
    """Half an hour that is not counted: up to 12 A out of it, nothing in; offset and noise act on it too."""
    charge = amp_hours(_discharge(lost_ms=HOUR // 2), LIMITS)
    assert (charge.below, charge.above) == pytest.approx((6.0, 0.0))
    assert charge.span_hours == 10.5


def test_a_gap_in_a_rest_does_not_narrow_its_band() -> None:
    rest = Stretch(0, 1, 0, 1, 2 * HOUR, readings=720, time2=4 * HOUR)
    rest.spreads["amps"] = Spread(0, 0, 0, 720)
    gapped = Stretch(0, 1, 0, 1, 2 * HOUR, readings=360, time2=2 * HOUR, lost_ms=HOUR)
    gapped.spreads["amps"] = Spread(0, 0, 0, 360)
    assert amp_hours(gapped, LIMITS).band(0.0, 0.1) == amp_hours(rest, LIMITS).band(0.0, 0.1) == (-0.2, 0.2)


def test_a_switch_is_somewhere_in_its_interval() -> None:
    """10 A within 10 s at the start, 20 A within 10 s at the end: sqrt(100^2 + 200^2) As."""
    charge = amp_hours(_discharge(first_jump=10_000 * 10_000, last_jump=20_000 * 10_000), LIMITS)
    assert charge.random == pytest.approx(sqrt(5) * 100 / 3600)


def test_loads_that_switch_now_and_then() -> None:
    """100 jumps of 10 A, 10 s apart from reading to reading: 2 x sqrt(100 / 12) x 100 As."""
    step = 10_000 * 10_000 >> VARIATION_SHIFT
    charge = amp_hours(_discharge(variation=100 * step**2, steps=100, step_total=100 * 10_000), LIMITS)
    assert charge.random == pytest.approx(2 * sqrt(100 / 12) * 100 / 3600, rel=1e-3)


def test_loads_that_may_be_faster_than_the_readings_are_much_less_certain() -> None:
    step = 10_000 * 10_000 >> VARIATION_SHIFT
    slow = amp_hours(_discharge(variation=250 * step**2, steps=250, step_total=250 * 10_000), LIMITS)
    fast = amp_hours(_discharge(variation=400 * step**2, steps=400, step_total=400 * 10_000), LIMITS)
    assert fast.random > 2 * sqrt(400 / 250) * slow.random


def test_both_directions_of_a_stretch() -> None:
    """A discharge of 100 Ah with 5 Ah of charge in it, half an hour of it."""
    stretch = _discharge()
    stretch.in2, stretch.in_time2 = 5 * CHARGE2_PER_AMP_HOUR, HOUR
    assert outward(stretch, LIMITS).value == -100.0
    assert (inward(stretch, LIMITS).value, inward(stretch, LIMITS).span_hours) == (5.0, 0.5)
    assert inward(_discharge(), LIMITS) == NOTHING


def test_energy_carries_the_doubt_of_the_charge_at_the_mean_voltage() -> None:
    stretch = _discharge(first_jump=36_000_000)
    energy = watt_hours(stretch, amp_hours(stretch, LIMITS), stretch.energy2)
    assert energy.value == -4800.0
    assert (energy.span_hours, energy.random) == pytest.approx((480.0, 0.01 * 48))


def test_energy_while_the_voltage_was_missing_is_open_both_ways() -> None:
    """A tenth of the time without a voltage: a tenth of 4800 Wh."""
    stretch = _discharge(unpowered2=2 * HOUR)
    energy = watt_hours(stretch, amp_hours(stretch, LIMITS), stretch.energy2)
    assert (energy.below, energy.above) == pytest.approx((480.0, 480.0))


def test_adding_up() -> None:
    """What is independent adds in squares, what a gap hides adds plainly."""
    both = Charge(-5.0, 1.0, 3.0, 0.5, 0.25).plus(Charge(2.0, 2.0, 4.0, 0.5, 0.25))
    assert both == Charge(-3.0, 3.0, 5.0, 1.0, 0.5)
    assert both.band(0.0, 0.0) == (-9.0, 2.5)


def test_nothing_was_measured() -> None:
    assert amp_hours(Stretch(0, 1, 0, 1, 0), LIMITS) == NOTHING
    empty = Stretch(0, 1, 0, 1, 0)
    assert watt_hours(empty, NOTHING, 0) == NOTHING
