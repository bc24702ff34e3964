"""Ohms that jump, a ledger that cannot be, and inputs that show their neighbour's block; and what looks alike."""

from __future__ import annotations

import pytest

from loggerd.analysis.findings.meter_fingerprint import Fingerprint
from loggerd.analysis.findings.meter_ledger import Ledger
from loggerd.analysis.findings.meter_ohms import DayOhms


def _ohms(by_day: list[float]) -> DayOhms:
    days = DayOhms()
    for day, ohms in enumerate([*by_day, by_day[-1]]):
        for change in range(8):
            rate = 0.05 * (-1) ** change
            days.add(288 * day + change, ohms * rate, rate)
    return days


@pytest.mark.parametrize(("factor", "fell", "rose"), [(2 / 3, True, False), (2.4, False, True), (0.9, False, False)])
def test_ohms_that_jump_are_told_from_those_that_vary(factor: float, fell: bool, rose: bool) -> None:
    days = _ohms([0.3] * 12 + [0.3 * factor] * 4)
    assert (bool(days.fell), bool(days.rose)) == (fell, rose)
    if fell:
        assert days.fell[0] == 12 and days.fell[2] == pytest.approx(factor)


@pytest.mark.parametrize("growth", [1.015, 0.985])
def test_ohms_that_creep_never_jump(growth: float) -> None:
    days = _ohms([0.3 * growth**day for day in range(60)])
    assert not days.fell and not days.rose


def test_ohms_that_come_back_from_a_rise_have_not_fallen() -> None:
    """A string that was off for some days doubles them, and is back again."""
    assert not _ohms([0.3] * 12 + [0.6] * 6 + [0.3] * 5).fell


def test_a_fall_ends_when_the_ohms_are_back() -> None:
    assert not _ohms([0.3] * 12 + [0.2] * 5 + [0.3] * 4).fell


def _ledger(out: float, bulk: float, inward: float, rest: float = 0.0, hours: float = 24.0) -> Ledger:
    """Ten charges after a time in which nothing flowed at rest, so that `rest` is new."""
    return Ledger([[out, bulk, inward, hours]] * 10, rests=[rest] * 4, usual=0.0, known=20)


def test_a_bank_that_gives_more_than_it_gets_has_a_charger_past_the_shunt() -> None:
    assert _ledger(0.3, 0.1, 0.13).verdict(False) == "charger"
    assert _ledger(0.3, 0.1, 0.32).verdict(False) == ""


def test_a_zero_that_has_moved_is_no_bypass() -> None:
    """0.005 of the rated amps for 24 hours: 0.12 less in each account."""
    assert _ledger(0.3, 0.1, 0.2, rest=-0.005).verdict(False) == ""
    assert _ledger(0.3, 0.1, 0.2).verdict(False) == "charger"


def test_a_load_past_the_shunt_is_told_from_gassing() -> None:
    assert _ledger(0.12, 0.25, 0.33).verdict(False) == "load", "before gas begins nothing is lost"
    assert _ledger(0.12, 0.1, 0.33).verdict(False) == "", "that may be gas"
    assert _ledger(0.12, 0.1, 0.33).verdict(True) == "load", "but not if the ohms rose at once"
    assert _ledger(0.3, 0.1, 0.43).verdict(True) == "", "an overcharge"


def test_the_ledger_comes_back_from_plain_as_it_was() -> None:
    ledger = _ledger(0.3, 0.1, 0.13)
    ledger.verdict(False)
    assert Ledger.from_plain(ledger.to_plain()).to_plain() == ledger.to_plain()


USUAL = {"rest": [0.0, 0.0, 0.0, 0.0, 0.0], "charge": [0.02, -0.03, 0.05, 0.0, -0.04]}
INPUT_ERRORS = [0.03, -0.02, 0.04, 0.0, -0.03]


def _prints(shifted: bool, block_share: float = 1.0) -> Fingerprint:
    prints = Fingerprint()
    for _ in range(60):
        for here, blocks in USUAL.items():
            volts = [6.0 + block_share * one for one in blocks]
            prints.learn([one + error for one, error in zip(volts, INPUT_ERRORS, strict=True)], here)
    for _ in range(20):
        for here, blocks in USUAL.items():
            volts = [6.0 + block_share * one for one in blocks]
            read = [*volts[1:], 0.0] if shifted else [*volts[:-1], 0.0]
            prints.follow([one + error for one, error in zip(read, INPUT_ERRORS, strict=True)], here)
    return prints


def test_inputs_that_show_their_neighbours_are_told_from_one_wire_that_is_off() -> None:
    assert _prints(shifted=True).moved([0], 5, last=True) == "shifted"
    assert _prints(shifted=False).moved([0], 5, last=True) == "stayed"


def test_blocks_that_are_all_alike_tell_nothing() -> None:
    assert _prints(shifted=True, block_share=0.0).moved([0], 5, last=True) == ""


def test_without_a_time_before_nothing_is_told() -> None:
    prints = Fingerprint()
    for _ in range(20):
        prints.follow([6.0, 6.1, 6.2, 0.0], "charge")
    assert prints.moved([0], 4, last=True) == ""
