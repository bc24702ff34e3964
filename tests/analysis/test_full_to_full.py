"""Accounts between two charges that ended full, provisionally. 24 cells of 2.33 V: 55.92 V; 2 % of 100 Ah: 2 A."""

from __future__ import annotations

import numpy as np
import pytest
from day_tools import HOUR, day, fold_columns, kinds, load
from fold_tools import bank, of_ledger

from loggerd.analysis.full_to_full import FullToFullBuilder
from loggerd.analysis.part import Part
from loggerd.analysis.stretch import Stretch
from loggerd.model.ledger import Entry, LedgerName

FULL = [(15.0, 1.0), (1.0, 1.0)]
"""A charge that ends at 1 A."""


def _day(steps: list[tuple[float, float]], charging_volts: float = 57.0) -> list[Entry]:
    return day(steps, bank(100.0), volts=(48.0, charging_volts))


def test_between_two_full_charges_there_may_be_several_cycles() -> None:
    steps = [*FULL, (-10.0, 2.0), (12.0, 1.0), (-10.0, 1.0), (12.0, 1.7), *FULL, (-10.0, 0.5), (0.0, 0.1)]
    entries = _day(steps)
    assert kinds(entries, LedgerName.FULL_TO_FULL) == [
        ("provisional", 2.0, pytest.approx(9.7), True),
        ("provisional", pytest.approx(9.7), pytest.approx(10.3), False),
    ]
    account = of_ledger(entries, LedgerName.FULL_TO_FULL)[0]
    assert account.figure("discharge_amp_hours").value == pytest.approx(30.0)
    assert account.figure("charge_amp_hours").value == pytest.approx(12 + 12 * 1.7 + 16.0, rel=1e-3)
    assert len(of_ledger(entries, LedgerName.CYCLES)) == 3


def test_before_the_first_full_charge_there_is_no_account() -> None:
    assert kinds(_day([(-10.0, 1.0), *FULL, (0.0, 1.0)]), LedgerName.FULL_TO_FULL) == []


def test_a_small_current_at_a_low_voltage_is_not_full() -> None:
    assert kinds(_day([*FULL, (-10.0, 1.0), *FULL, (0.0, 1.0)], 55.9), LedgerName.FULL_TO_FULL) == []


def test_a_charge_cut_short_is_not_full() -> None:
    (account,) = of_ledger(_day([*FULL, (-10.0, 1.0), (15.0, 1.0), (0.0, 1.0)]), LedgerName.FULL_TO_FULL)
    assert not account.complete


def test_two_full_charges_without_a_discharge_make_no_account() -> None:
    assert kinds(_day([*FULL, (0.0, 1.0), *FULL, (0.0, 1.0)]), LedgerName.FULL_TO_FULL) == []


def test_the_voltage_may_be_missing_now_and_then() -> None:
    at_ms, milliamps = load([*FULL, (-10.0, 1.0), *FULL, (0.0, 1.0)])
    millivolts = np.where(milliamps > 0, 57_000, 48_000)
    millivolts[::2] = -(2**63)
    entries, _ = fold_columns({"amps": (at_ms, milliamps), "volts": (at_ms, millivolts)})
    assert [complete for *_, complete in kinds(entries, LedgerName.FULL_TO_FULL)] == [True]
    charge = next(entry for entry in of_ledger(entries, LedgerName.PHASES) if entry.kind == "charge")
    assert charge.figure("end_volts").value == pytest.approx(57.0)


@pytest.mark.parametrize(
    ("milliamps", "millivolts", "full"),
    [(2_000, 55_920, True), (2_001, 55_920, False), (2_000, 55_919, False), (500, 60_000, True)],
)
def test_limits(milliamps: int, millivolts: int, full: bool) -> None:
    builder = FullToFullBuilder(2.0, 55.92)
    tail = {"tail_milliamps": 5 * milliamps, "tail_millivolts": 5 * millivolts, "tail_count": 5, "tail_powered": 5}
    assert builder.is_full(Stretch(1, 1, 0, 1, HOUR, **tail)) == full
    assert not builder.is_full(Stretch(-1, 1, 0, 1, HOUR, **tail))
    assert not builder.is_full(Stretch(1, 1, 0, 1, HOUR))


def test_a_gap_belongs_to_the_account_and_closes_none() -> None:
    builder = FullToFullBuilder(2.0, 55.92, started=True)
    assert builder.push(Part(1, 0, 1, HOUR, gap_ms=HOUR, readings=1), None) == []
    assert builder.account.gap_ms == HOUR
    assert builder.unfinished() is None
