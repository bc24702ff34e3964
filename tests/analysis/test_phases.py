"""Phases out of loads that people know. The bank has 100 Ah; the sensor's offset is 0.1 A unless a test says other."""

from __future__ import annotations

import numpy as np
import pytest
from day_tools import HOUR, day, fold_columns, kinds, load, without
from fold_tools import axis, bank, block, of_ledger, plan, series, whole

from loggerd.analysis.fold import BankFold
from loggerd.analysis.plan import Rules
from loggerd.model.bank import Accuracy
from loggerd.model.ledger import LedgerName

KNOWN = Accuracy(gain=0.0, offset=0.1)


def test_a_night_load_of_a_fifth_of_an_amp_is_a_discharge_if_the_sensor_can_tell_it() -> None:
    """A 500 A shunt with a stated offset of 0.1 A: 0.2 A is more than 1.2 x 0.1 A."""
    steps = [(20.0, 1.0), (-0.2, 8.0), (20.0, 1.0)]
    assert [kind for kind, *_ in kinds(day(steps, bank(400.0), KNOWN))] == ["charge", "discharge", "charge"]


def test_the_same_load_is_rest_if_nothing_is_stated() -> None:
    """1/1000 of 400 Ah is 0.4 A; what cannot be told from nothing is rest. Its amp-hours stand in the rest."""
    entries = day([(20.0, 1.0), (-0.2, 8.0), (20.0, 1.0)], bank(400.0))
    assert [kind for kind, *_ in kinds(entries)] == ["charge", "rest", "charge"]
    night = of_ledger(entries, LedgerName.PHASES)[1].figure("amp_hours")
    assert night.value == pytest.approx(1.6)
    assert (night.low, night.high) == pytest.approx((0.0, 1.6 + 8 * 0.4), abs=0.01)


def test_the_last_phase_is_under_way() -> None:
    assert kinds(day([(0.0, 1.0), (-10.0, 2.0), (8.0, 1.0)], accuracy=KNOWN)) == [
        ("rest", 0.0, 1.0, True),
        ("discharge", 1.0, 3.0, True),
        ("charge", 3.0, 4.0, False),
    ]


def test_a_pause_shorter_than_the_dwell_does_not_part_a_discharge() -> None:
    """100 s of rest, dwell 120 s; its charge of the other direction is netted in the phase."""
    entries = day([(-10.0, 1.0), (0.0, 100 / 3600), (-10.0, 1.0)], accuracy=KNOWN)
    assert kinds(entries) == [("discharge", 0.0, pytest.approx(2 + 100 / 3600), False)]
    assert of_ledger(entries, LedgerName.PHASES)[0].figure("amp_hours").value == pytest.approx(20.0)


def test_a_pause_as_long_as_the_dwell_parts_it_and_begins_where_it_began() -> None:
    entries = day([(-10.0, 1.0), (0.0, 120 / 3600), (-10.0, 1.0)], accuracy=KNOWN)
    assert [(kind, round(start * 3600), round(end * 3600)) for kind, start, end, _ in kinds(entries)] == [
        ("discharge", 0, 3600),
        ("rest", 3600, 3720),
        ("discharge", 3720, 7320),
    ]


def test_a_load_that_switches_faster_than_the_dwell_is_one_discharge() -> None:
    """30 s at 20 A, 60 s off, for two hours, after a rest: mean 6.67 A, 13.33 Ah, and not 160 little phases."""
    pulses = [(-20.0, 30 / 3600), (0.0, 60 / 3600)] * 80
    entries = day([(0.0, 1.0), *pulses, (0.0, 1.0)], accuracy=KNOWN)
    assert [kind for kind, *_ in kinds(entries)] == ["rest", "discharge", "rest"]
    discharge = of_ledger(entries, LedgerName.PHASES)[1]
    assert discharge.start.at_ms == HOUR
    assert abs(discharge.end.at_ms - 3 * HOUR) <= 60_000
    assert discharge.figure("amp_hours").value == pytest.approx(80 * 20 * 30 / 3600, rel=1e-9)


def test_pulses_that_cancel_each_other_are_a_rest() -> None:
    pulses = [(-20.0, 30 / 3600), (20.0, 30 / 3600)] * 60
    entries = day([*pulses, (-20.0, 1.0)], accuracy=KNOWN)
    assert [kind for kind, *_ in kinds(entries)] == ["rest", "discharge"]


def test_a_stray_reading_is_no_boundary() -> None:
    """Of a discharge too short to last: one reading at nothing in its middle, 60 s on either side of it."""
    at_ms, milliamps = load([(0.0, 0.5), (-10.0, 130 / 3600), (0.0, 0.5)])
    milliamps[180 + 7] = 0
    entries, _ = fold_columns({"amps": (at_ms, milliamps)}, accuracy=KNOWN)
    assert [kind for kind, *_ in kinds(entries)] == ["rest", "discharge", "rest"]


def test_a_gap_of_up_to_an_hour_stays_within_its_phase() -> None:
    at_ms, milliamps = without(*load([(-10.0, 4.0)]), 2.0, 2.99)
    entries, _ = fold_columns({"amps": (at_ms, milliamps)}, accuracy=KNOWN)
    (phase,) = of_ledger(entries, LedgerName.PHASES)
    assert kinds(entries) == [("discharge", 0.0, 4.0, False)]
    figure = phase.figure("amp_hours")
    gap = phase.figure("gap_seconds").value
    assert gap == pytest.approx(0.99 * 3600, abs=20)
    # What was not measured is not counted; the band says that 10 A may have gone on all the time.
    assert figure.value == pytest.approx(40.0 - 10 * gap / 3600)
    assert figure.high >= 40.0
    assert figure.low == pytest.approx(figure.value - 0.1 * 4.0, abs=0.01)


def test_a_gap_of_more_than_an_hour_ends_the_phase() -> None:
    at_ms, milliamps = without(*load([(-10.0, 4.0)]), 2.0, 3.01)
    entries, marks = fold_columns({"amps": (at_ms, milliamps)}, accuracy=KNOWN)
    (first, second) = kinds(entries)
    assert first == ("discharge", 0.0, 2.0, True)
    assert second[0] == "discharge"
    assert second[1] == pytest.approx(3.01, abs=0.003)
    assert [(one.channel, one.mark, one.readings) for one in marks] == [("amps", 8, 1)]


def test_a_gap_of_ten_minutes_is_filled_and_said() -> None:
    at_ms, milliamps = without(*load([(-10.0, 1.0)]), 0.5, 0.5 + 1 / 6)
    entries, _ = fold_columns({"amps": (at_ms, milliamps)}, accuracy=KNOWN)
    (phase,) = of_ledger(entries, LedgerName.PHASES)
    assert phase.figure("amp_hours").value == pytest.approx(10.0)
    assert phase.figure("gap_seconds").value == 600.0


def test_a_run_that_is_still_short_in_readings_waits_for_more_before_it_parts_a_flicker() -> None:
    """A discharge of 5 readings, one at nothing, and again a discharge, in which at first a gap makes up the dwell."""
    at_ms = np.concatenate([np.arange(60), np.arange(60, 68), np.arange(90, 130)]) * 1_000
    milliamps = np.array([0] * 60 + [-9_000] * 5 + [0] + [-9_000] * 42)
    accuracy, rules = Accuracy(offset=0.1), Rules(dwell_ms=10_000)
    found = []
    for pieces in (1, len(at_ms)):
        fold = BankFold(plan({"amps": series("amps", accuracy)}, bank(20.0), rules))
        cuts = np.array_split(np.arange(len(at_ms)), pieces)
        results = [fold.push(axis(1_000), [block(at_ms[part], [milliamps[part]])]) for part in cuts]
        found.append([(one.kind, one.start.at_ms) for one in of_ledger(whole(results, fold), LedgerName.PHASES)])
    assert found[0] == found[1] == [("rest", 0), ("discharge", 59_000)]


def test_nothing_to_settle_leaves_one_phase_under_way() -> None:
    entries, _ = fold_columns({"amps": (np.array([0, 10_000]), np.array([-5_000, -5_000]))}, accuracy=KNOWN)
    assert kinds(entries) == [("discharge", 0.0, 10_000 / HOUR, False)]
