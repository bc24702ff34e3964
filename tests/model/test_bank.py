"""The bank, its numbering, and what makes a series the same."""

from __future__ import annotations

from dataclasses import replace

import pytest

from loggerd.model.bank import Accuracy, Bank, BankType, Series, SeriesScale
from loggerd.model.channels import parse_channel

BANK = Bank("house", BankType.AGM, 3, 8, 3, 225.0, 20.0)


def test_a_bank_of_three_strings() -> None:
    assert BANK.cells_in_series == 24
    assert BANK.nominal_volts == 48.0
    assert BANK.blocks == 24


@pytest.mark.parametrize(("block", "string"), [(1, 1), (8, 1), (9, 2), (16, 2), (17, 3), (24, 3)])
def test_numbering_runs_through_one_string_after_another(block: int, string: int) -> None:
    assert BANK.string_of_block(block) == string


def test_a_series_stays_the_same_under_another_scale_and_is_another_at_another_place() -> None:
    scale = SeriesScale(None, 1.0, 0.0, (0, 1), Accuracy())
    one = Series("shunt", "house", parse_channel("amps"), "holding 0", 0.1, "A", (scale,))
    assert replace(one, scales=(scale, replace(scale, since_ms=5, factor=2.0)), unit="mA").key == one.key
    for other in (
        replace(one, place="holding 1"),
        replace(one, device="other"),
        replace(one, bank="other"),
        replace(one, resolution=0.01),
        replace(one, channel=parse_channel("mean_amps")),
    ):
        assert other.key != one.key
