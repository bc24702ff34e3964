"""A figure is written with the decimals that its band carries, and no more."""

from __future__ import annotations

from math import inf

import pytest

from loggerd.wording.decimals import carried, fixed


@pytest.mark.parametrize(
    ("value", "half_width", "told"),
    [
        # JCGM 100:2008 (GUM), 7.2.6 and 7.2.4, from memory: the resistance of 27 mOhm, the mass of 0.79 mg.
        (10.05762, 0.027, "10.058"),
        (100.02147, 0.00079, "100.02147"),
        (38.706, 1.377, "38.7"),
        (263.6, 60.0, "264"),
    ],
)
def test_two_digits_of_the_band_are_written(value: float, half_width: float, told: str) -> None:
    assert f"{value:.{carried(8, value, value - half_width, value + half_width)}f}" == told


def test_never_more_decimals_than_the_figure_has() -> None:
    assert carried(1, 4.2, 4.1999, 4.2001) == 1


@pytest.mark.parametrize(("low", "high"), [(None, 1.0), (1.0, None), (2.0, 2.0), (3.0, inf), (-inf, inf)])
def test_without_a_band_the_figure_keeps_its_decimals(low: float | None, high: float | None) -> None:
    assert carried(3, 2.0, low, high) == 3


def test_the_nearer_side_of_a_band_counts() -> None:
    assert carried(1, 0.4, 0.1, 50.0) == 1


@pytest.mark.parametrize(
    ("value", "decimals", "text"), [(-0.2, 0, "0"), (-0.004, 2, "0.00"), (-0.6, 0, "-1"), (0.0, 1, "0.0")]
)
def test_zero_has_no_sign(value: float, decimals: int, text: str) -> None:
    assert fixed(value, decimals) == text
