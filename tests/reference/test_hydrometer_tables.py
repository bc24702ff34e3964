"""Hydrometer readings against published service tables: 0.004 for each 10 °F above or below 80 °F, added when hot.

Four tables agree on it (a technical manual of batteries, a maker's service manual, a motor-vehicle training text, an
operator's manual). Our rule in metric units may differ from them by one point of a thousandth at their far ends.
"""

from __future__ import annotations

import pytest

from loggerd.model.hydrometer import corrected_gravity, judge_round
from loggerd.model.log_book import LogEntry

TABLE = {
    160: 0.032,
    140: 0.024,
    130: 0.020,
    120: 0.016,
    110: 0.012,
    100: 0.008,
    90: 0.004,
    80: 0.0,
    70: -0.004,
    60: -0.008,
    50: -0.012,
    40: -0.016,
    20: -0.024,
    0: -0.032,
}
REFERENCE = (80 - 32) * 5 / 9
RULES = {0.020: True, 0.025: True, 0.030: True, 0.050: False, 0.1: False}
"""Spread of the cells after a full charge over which sources call a bank suspicious, unserviceable, to be recharged and
tested again, to be replaced, faulty; and whether a spread of 0.032 is over it."""


@pytest.mark.parametrize("fahrenheit", TABLE)
def test_correction_is_that_of_the_tables(fahrenheit: int) -> None:
    correction = corrected_gravity(1.25, (fahrenheit - 32) * 5 / 9, REFERENCE) - 1.25
    assert correction == pytest.approx(TABLE[fahrenheit], abs=0.001)


def test_worked_examples() -> None:
    assert corrected_gravity(1.250, 40.0, 26.7) == pytest.approx(1.2593, abs=1e-4)
    assert corrected_gravity(1.250, 0.0, 26.7) == pytest.approx(1.2313, abs=1e-4)


def test_a_hot_reading_goes_up() -> None:
    """The sign is what is got wrong most often."""
    assert corrected_gravity(1.25, 40.0, 25.0) > 1.25 > corrected_gravity(1.25, 10.0, 25.0)


def four_cells(**more: float) -> LogEntry:
    data = {"cell_1": 1.270, "cell_2": 1.265, "cell_3": 1.268, "cell_4": 1.238, **more}
    return LogEntry("a", "bank", "hydrometer_round", 0, "anna", data)


@pytest.mark.parametrize("limit", RULES)
def test_spread_is_judged_by_the_rule_in_force_which_is_named(limit: float) -> None:
    judged = judge_round(four_cells(), {"specific_gravity_spread": limit, "specific_gravity_celsius": 25.0})
    assert judged.spread == pytest.approx(0.032, abs=1e-9)
    assert (judged.lowest_cell, judged.highest_cell) == (4, 1)
    assert judged.wide is RULES[limit]
    assert judged.rule == f"limit specific_gravity_spread, {limit:.3f}"
    assert judged.uncorrected == (1, 2, 3, 4)


def test_a_spread_of_just_the_limit_is_not_over_it() -> None:
    limits = {"specific_gravity_spread": 0.032, "specific_gravity_celsius": 25.0}
    assert not judge_round(four_cells(), limits).wide


def test_each_cell_is_corrected_by_its_own_temperature() -> None:
    limits = {"specific_gravity_spread": 0.030, "specific_gravity_celsius": 25.0}
    judged = judge_round(four_cells(celsius=25.0, cell_4_celsius=35.0), limits)
    assert judged.gravities == {1: 1.270, 2: 1.265, 3: 1.268, 4: 1.245}
    assert judged.spread == pytest.approx(0.025)
    assert not judged.wide


def test_cells_without_a_temperature_are_not_held_against_corrected_ones() -> None:
    limits = {"specific_gravity_spread": 0.030, "specific_gravity_celsius": 25.0}
    judged = judge_round(four_cells(cell_1_celsius=25.0, cell_2_celsius=25.0, cell_3_celsius=25.0), limits)
    assert judged.uncorrected == (4,)
    assert judged.spread == pytest.approx(0.005)


def test_one_cell_has_no_spread() -> None:
    one = LogEntry("a", "bank", "hydrometer_round", 0, "anna", {"cell_2": 1.25})
    judged = judge_round(one, {"specific_gravity_spread": 0.030, "specific_gravity_celsius": 25.0})
    assert (judged.spread, judged.wide) == (None, False)
