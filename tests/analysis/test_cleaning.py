"""Raw blocks to columns in fine units, and what intake says of them on the way through a whole fold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from day_tools import HOUR, fold_columns, kinds, load
from fold_tools import axis, bank, block, of_ledger, plan, series, whole

from loggerd.analysis.axis import SessionAxis
from loggerd.analysis.cleaning import ColumnCleaner
from loggerd.analysis.fold import BankFold
from loggerd.model.bank import SeriesScale
from loggerd.model.channels import MISSING
from loggerd.model.ledger import LedgerName, MarkSpan
from loggerd.model.marks import Mark

AMPS = (-100_000, 100_000)


def _marks(marks: list[MarkSpan]) -> list[tuple[str, Mark, int, int, int]]:
    return [(one.channel, Mark(one.mark), one.start.at_ms, one.end.at_ms, one.readings) for one in marks]


def test_a_reading_out_of_range_is_kept_out_of_the_sums_and_counted() -> None:
    """One of 2 h of readings says 32 kA: the amp-hours are as if it were not there, and the phase tells of it."""
    at_ms, milliamps = load([(-10.0, 2.0)])
    milliamps[300] = 32_767_000
    entries, marks = fold_columns({"amps": (at_ms, milliamps)}, valid={"amps": AMPS})
    (phase,) = of_ledger(entries, LedgerName.PHASES)
    assert phase.figure("amp_hours").value == pytest.approx(20.0)
    assert phase.figure("readings_left_out").value == 1
    assert phase.figure("maximum_amps").value == -10.0
    assert _marks(marks) == [("amps", Mark.OUT_OF_RANGE, 3_000_000, 3_000_000, 1)]


def test_a_voltage_out_of_range_leaves_the_current_alone() -> None:
    at_ms, milliamps = load([(-10.0, 2.0)])
    millivolts = np.full(len(at_ms), 48_000) + np.arange(len(at_ms)) % 3
    millivolts[100:103] = 0
    entries, marks = fold_columns(
        {"amps": (at_ms, milliamps), "volts": (at_ms, millivolts)}, valid={"volts": (30_000, 70_000)}
    )
    (phase,) = of_ledger(entries, LedgerName.PHASES)
    assert phase.figure("amp_hours").value == pytest.approx(20.0)
    assert phase.figure("minimum_volts").value == 48.0
    assert phase.figure("readings_left_out").value == 3
    # The last voltage before stands for those left out.
    assert phase.figure("watt_hours").value == pytest.approx(960.02, abs=0.01)
    assert _marks(marks) == [("volts", Mark.OUT_OF_RANGE, 1_000_000, 1_020_000, 3)]


def test_what_the_instrument_could_not_say_is_marked_unreadable() -> None:
    at_ms, milliamps = load([(-10.0, 1.0)])
    celsius = np.where(np.arange(len(at_ms)) % 2, 20_000, 20_100)
    celsius[5] = MISSING
    _, marks = fold_columns({"amps": (at_ms, milliamps), "ambient_celsius": (at_ms, celsius)})
    assert _marks(marks) == [("ambient_celsius", Mark.UNREADABLE, 50_000, 50_000, 1)]


def test_a_spike_is_marked_and_kept() -> None:
    at_ms, milliamps = load([(-10.0, 1.0)])
    millivolts = np.full(len(at_ms), 48_000)
    millivolts[200] = 55_000
    entries, marks = fold_columns({"amps": (at_ms, milliamps), "volts": (at_ms, millivolts)})
    assert of_ledger(entries, LedgerName.PHASES)[0].figure("maximum_volts").value == 55.0
    assert _marks(marks) == [("volts", Mark.SPIKE, 2_000_000, 2_000_000, 1)]


def test_blocks_that_do_not_add_up_to_the_bank() -> None:
    """Four blocks of 12 V in a bank that shows 48 V; for a while block 3 shows 6 V."""
    at_ms, milliamps = load([(-2.0, 1.0)])
    blocks = {f"block_{number}_volts": (at_ms, np.full(len(at_ms), 12_000)) for number in range(1, 5)}
    blocks["block_3_volts"] = (at_ms, np.where((at_ms >= 600_000) & (at_ms <= 900_000), 6_000, 12_000))
    columns = {"amps": (at_ms, milliamps), "volts": (at_ms, np.full(len(at_ms), 48_000)), **blocks}
    _, marks = fold_columns(columns)
    assert _marks(marks) == [("taps of string 1", Mark.TAPS_DISAGREE, 600_000, 900_000, 31)]


def test_taps_are_not_judged_while_one_is_missing() -> None:
    at_ms, milliamps = load([(-2.0, 1.0)])
    blocks = {f"block_{number}_volts": (at_ms, np.full(len(at_ms), 12_000)) for number in (1, 2, 4)}
    _, marks = fold_columns({"amps": (at_ms, milliamps), "volts": (at_ms, np.full(len(at_ms), 48_000)), **blocks})
    assert marks == []


@pytest.mark.parametrize("pieces", [1, 4])
def test_taps_of_two_strings_on_two_devices_against_the_voltage_of_a_third(pieces: int) -> None:
    """String 2 is 4 V low all the time; string 1 is right. The bank voltage is read between, by another device."""
    at_ms = np.arange(0, HOUR, 10_000)
    names = ["volts", *(f"block_{number}_volts" for number in range(1, 9))]
    devices = ["bank", *["north"] * 4, *["south"] * 4]
    made = {name: series(name, device=device) for name, device in zip(names, devices, strict=True)}
    made["amps"] = series("amps")
    cleaner = ColumnCleaner(plan(made, bank(strings=2)))
    found = []
    for part in np.array_split(np.arange(len(at_ms)), pieces):
        now = at_ms[part]
        high, low = np.full(len(now), 12_000), np.full(len(now), 11_000)
        blocks = [
            block(now - 500, [np.full(len(now), 48_000)], "bank", [0]),
            block(now, [high] * 4, "north", range(1, 5)),
            block(now, [low] * 4, "south", range(5, 9)),
        ]
        _, marked = cleaner.push(SessionAxis(1, 0, interval_ms={"north": 10_000}), blocks)
        found += [(channel, mark, len(when)) for channel, mark, when in marked]
    assert {(channel, mark) for channel, mark, _ in found} == {("taps of string 2", Mark.TAPS_DISAGREE)}
    assert sum(readings for *_, readings in found) == len(at_ms)


def test_the_wall_clock_is_watched_for_each_device() -> None:
    at_ms, milliamps = load([(-10.0, 1.0)])
    plain = block(at_ms, [milliamps])
    wall = plain.wall_minus_mono_ms.copy()
    wall[100:] -= 60_000
    clock = plain.clock.copy()
    clock[:3] = 1
    fold = BankFold(plan({"amps": series("amps")}))
    settled = fold.push(axis(10_000), [replace(plain, wall_minus_mono_ms=wall, clock=clock)])
    assert _marks([*settled.marks, *fold.view().marks]) == [
        ("meter", Mark.CLOCK_NOT_SET, 0, 20_000, 3),
        ("meter", Mark.BACKWARD_TIME, 1_000_000, 1_000_000, 1),
    ]


def test_a_corrected_scale_holds_from_its_date_on_with_its_own_range() -> None:
    """The shunt was taken for 50 mV and is of 75 mV: from 1 h on each count is two thirds, in a narrower range."""
    at_ms, milliamps = load([(-15.0, 2.0)])
    wrong = series("amps", valid=(-20_000, 20_000))
    corrected = SeriesScale(HOUR, 2 / 3, 0.0, (-12_000, 12_000), wrong.scales[0].accuracy)
    milliamps[500] = -19_000  # -12.667 A by the new scale: outside its range, inside the old one
    fold = BankFold(plan({"amps": replace(wrong, scales=(*wrong.scales, corrected))}))
    settled = fold.push(axis(10_000), [block(at_ms, [milliamps])])
    entries = whole([settled], fold)
    assert kinds(entries) == [("discharge", 0.0, 2.0, False)]
    (phase,) = of_ledger(entries, LedgerName.PHASES)
    # 359 intervals of 10 s at 15 A; where the scale changes the current jumps, and the interval goes with the new one.
    assert phase.figure("amp_hours").value == pytest.approx((359 * 15.0 + 361 * 10.0) * 10 / 3600)
    assert phase.figure("readings_left_out").value == 1
    assert (phase.figure("minimum_amps").value, phase.figure("maximum_amps").value) == (-15.0, -10.0)


def test_a_channel_that_moved_to_another_place_goes_on() -> None:
    """One session reads it at the old place, the next at the new one: two series, one channel."""
    old, new = series("amps"), replace(series("amps"), place="elsewhere")
    fold = BankFold(plan({"old": old, "new": new}))
    at_ms, milliamps = load([(-10.0, 1.0)])
    first = fold.push(axis(10_000), [block(at_ms, [milliamps], ids=[0])])
    second = fold.push(
        SessionAxis(2, HOUR + 10_000, interval_ms={"meter": 10_000}), [block(at_ms, [milliamps], ids=[1])]
    )
    entries = whole([first, second], fold)
    assert kinds(entries) == [("discharge", 0.0, pytest.approx(2 + 10 / 3600), False)]
    assert of_ledger(entries, LedgerName.PHASES)[0].figure("amp_hours").value == pytest.approx(20 + 100 / 3600)


def test_series_of_other_banks_are_not_looked_at() -> None:
    fold = BankFold(plan({"amps": series("amps")}))
    at_ms, milliamps = load([(-10.0, 1.0)])
    settled = fold.push(axis(10_000), [block(at_ms, [milliamps, np.full(len(at_ms), 10**9)], ids=[0, 77])])
    assert settled.marks == fold.view().marks == ()


def test_a_bank_whose_current_nobody_measures_has_marks_but_no_ledger() -> None:
    fold = BankFold(plan({"volts": series("volts", valid=(0, 60_000))}))
    settled = fold.push(axis(10_000), [block(np.array([0, 10_000]), [np.array([48_000, 90_000])])])
    assert settled.entries == fold.view().entries == ()
    assert _marks(list(fold.view().marks)) == [("volts", Mark.OUT_OF_RANGE, 10_000, 10_000, 1)]


def test_nothing_pushed_is_nothing_settled() -> None:
    fold = BankFold(plan({"amps": series("amps")}))
    assert not fold.push(axis(), [])
    assert not fold.push(axis(), [block(np.empty(0), [np.empty(0)])])
    assert not fold.view()


def test_a_state_of_other_rules_is_refused() -> None:
    fold = BankFold(plan({"amps": series("amps")}))
    state = fold.dump().replace(b'"rules":', b'"rules":9')
    with pytest.raises(ValueError, match="rules 9"):
        fold.load(state)
