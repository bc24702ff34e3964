"""The ledger of discharge/charge pairs. The bank has 100 Ah: a cycle moves 4 Ah at least."""

from __future__ import annotations

import numpy as np
import pytest
from day_tools import HOUR, day, fold_columns, kinds, load, without
from fold_tools import axis, bank, block, of_ledger, plan, series, whole

from loggerd.analysis.axis import SessionAxis
from loggerd.analysis.fold import BankFold
from loggerd.model.bank import Accuracy
from loggerd.model.ledger import Entry, LedgerName

KNOWN = Accuracy(gain=0.005, offset=0.1)
NEXT = (-10.0, 1.0)
"""The discharge that shows the charge before it to have ended: 10 Ah."""


def _cycles(entries: list[Entry]) -> list[Entry]:
    return of_ledger(entries, LedgerName.CYCLES)


def test_a_pair_by_hand() -> None:
    """20 Ah out at 48 V, 22 Ah in at 54 V; the rests belong to the cycle in between only."""
    entries = day([(0.0, 1.0), (-10.0, 2.0), (0.0, 1.0), (11.0, 2.0), (0.0, 1.0), NEXT], accuracy=KNOWN)
    assert kinds(entries, LedgerName.CYCLES) == [("pair", 1.0, 6.0, True), ("pair", 7.0, 8.0, False)]
    cycle = _cycles(entries)[0]
    for name, value in {
        "discharge_amp_hours": 20.0,
        "charge_amp_hours": 22.0,
        "discharge_watt_hours": 960.0,
        "charge_watt_hours": 1188.0,
        "charge_factor": 1.1,
        "amp_hour_efficiency": 20 / 22,
        "watt_hour_efficiency": 960 / 1188,
        "depth_of_discharge": 0.2,
        "duration_seconds": 5 * 3600,
        "discharge_seconds": 2 * 3600,
        "charge_seconds": 2 * 3600,
        "minimum_volts": 48.0,
        "maximum_volts": 54.0,
        "end_of_charge_amps": 11.0,
        "rest_amp_hours": 0.0,
        "gap_seconds": 0.0,
        "readings_left_out": 0.0,
    }.items():
        assert cycle.figure(name).value == pytest.approx(value), name
    assert cycle.figure("mean_celsius").value is None
    assert cycle.figure("mean_celsius").reason
    # 0.5 % of 20 Ah and 0.1 A for 2 h, as limits of error: sqrt(0.1^2 + 0.2^2) by hand; the switches add a little.
    out = cycle.figure("discharge_amp_hours")
    assert (out.high - out.low) / 2 == pytest.approx(0.2236, rel=0.02)


def test_a_cycle_is_complete_only_when_the_next_discharge_has_swung() -> None:
    assert [complete for *_, complete in kinds(day([(-10.0, 2.0), (11.0, 2.0)]), LedgerName.CYCLES)] == [False]
    assert [complete for *_, complete in kinds(day([(-10.0, 2.0), (11.0, 2.0), (-10.0, 0.35)]), LedgerName.CYCLES)] == [
        False
    ]
    done = kinds(day([(-10.0, 2.0), (11.0, 2.0), (-10.0, 0.45), (0.0, 0.1)]), LedgerName.CYCLES)
    assert [complete for *_, complete in done] == [True, False]


def test_small_ups_and_downs_belong_to_the_cycle_they_happen_in() -> None:
    """3 Ah of charge amid the discharge and 3 Ah of discharge amid the charge: below 4 Ah, so one cycle."""
    steps = [(-10.0, 1.0), (6.0, 0.5), (-10.0, 1.0), (11.0, 1.0), (-6.0, 0.5), (11.0, 1.2), NEXT]
    cycle = _cycles(day(steps))[0]
    assert cycle.complete
    assert cycle.figure("discharge_amp_hours").value == pytest.approx(23.0)
    assert cycle.figure("charge_amp_hours").value == pytest.approx(3.0 + 11.0 + 13.2)
    assert cycle.figure("discharge_seconds").value == 2.5 * 3600
    assert cycle.end.at_ms == pytest.approx(5.2 * HOUR)


def test_swings_above_the_minimum_are_cycles_of_their_own() -> None:
    steps = [(-10.0, 1.0), (10.0, 0.5), (-10.0, 1.0), (10.0, 1.0), NEXT]
    assert [(start, end) for _, start, end, _ in kinds(day(steps), LedgerName.CYCLES)] == [
        (0.0, 1.5),
        (1.5, 3.5),
        (3.5, 4.5),
    ]


def test_a_smaller_minimum_counts_smaller_cycles() -> None:
    steps = [(-10.0, 1.0), (10.0, 0.3), (-10.0, 1.0), (10.0, 1.0), NEXT]
    assert len(_cycles(day(steps, bank(100.0)))) == 2
    assert len(_cycles(day(steps, bank(50.0)))) == 3


def test_a_charge_at_the_start_answers_nothing() -> None:
    assert kinds(day([(10.0, 3.0), (0.0, 1.0), NEXT, (10.0, 1.0)]), LedgerName.CYCLES) == [("pair", 4.0, 6.0, False)]


def test_a_discharge_without_an_answer_has_no_ratios_and_says_why() -> None:
    (cycle,) = _cycles(day([(-10.0, 2.0), (0.0, 1.0)]))
    for name in ("charge_factor", "amp_hour_efficiency", "watt_hour_efficiency", "end_of_charge_amps"):
        assert cycle.figure(name).value is None
        assert cycle.figure(name).reason == "no charge has answered this discharge yet"
    assert cycle.figure("discharge_amp_hours").value == pytest.approx(20.0)


def test_an_hour_without_readings_takes_the_right_to_a_charge_factor() -> None:
    whole_day = load([(-10.0, 4.0), (10.0, 5.0), NEXT])
    short, _ = fold_columns({"amps": without(*whole_day, 2.0, 2.95)})
    long, _ = fold_columns({"amps": without(*whole_day, 2.0, 3.05)})
    kept, lost = _cycles(short)[0], _cycles(long)[0]
    assert kept.figure("charge_factor").value == pytest.approx(50 / (40 - 9.5), rel=0.01)
    assert kept.figure("charge_factor").low < 1.25 < kept.figure("charge_factor").high
    assert lost.figure("charge_factor").value is None
    assert lost.figure("charge_factor").reason == "readings are missing for more than an hour"
    assert lost.figure("gap_seconds").value == pytest.approx(1.05 * 3600, abs=20)
    # The amp-hours still stand, with a band that holds what may have gone in the gap.
    out = lost.figure("discharge_amp_hours")
    assert out.value == pytest.approx(40 - 10.5, rel=0.01)
    assert out.low < out.value < 40.0 < out.high


@pytest.mark.parametrize("unknown", [False, True])
def test_a_pause_of_unknown_length_takes_it_too(unknown: bool) -> None:
    """Two sessions ten seconds apart on the axis; how long the pause really was is known or not."""
    fold = BankFold(plan({"amps": series("amps", KNOWN)}, bank(100.0)))
    results = []
    for session, steps in enumerate(([(-10.0, 2.0)], [(10.0, 2.2), NEXT]), 1):
        at_ms, milliamps = load(steps)
        offset = 0 if session == 1 else 2 * HOUR + 10_000
        place = SessionAxis(session, offset, unknown and session == 2, 0, {"meter": 10_000})
        results.append(fold.push(place, [block(at_ms, [milliamps])]))
    cycle = _cycles(whole(results, fold))[0]
    assert (cycle.start.session, cycle.end.session) == (1, 2)
    factor = cycle.figure("charge_factor")
    assert (factor.value is None) == unknown
    assert factor.reason == ("readings are missing for a time that nobody knows" if unknown else "")
    assert (cycle.figure("gap_seconds").value is None) == unknown
    assert (cycle.figure("duration_seconds").value is None) == unknown
    # Nobody knows what went in such a pause: the amp-hours stand, but nothing bounds them.
    out = cycle.figure("discharge_amp_hours")
    assert out.value == pytest.approx(20.0, rel=1e-3)
    assert (out.high is None) == unknown


def test_an_open_cycle_after_an_unknown_pause_has_no_ratio_either() -> None:
    fold = BankFold(plan({"amps": series("amps", KNOWN)}, bank(100.0)))
    at_ms, milliamps = load([(-10.0, 2.0)])
    first = fold.push(axis(10_000), [block(at_ms, [milliamps])])
    second = fold.push(SessionAxis(2, 2 * HOUR + 1, True, 0, {"meter": 10_000}), [block(at_ms, [-milliamps])])
    (cycle,) = _cycles(whole([first, second], fold))
    assert not cycle.complete
    assert cycle.figure("charge_amp_hours").value == pytest.approx(20.0)
    assert "nobody knows" in cycle.figure("charge_factor").reason


def test_no_ratio_of_energies_where_the_voltage_is_missing_for_most_of_one() -> None:
    at_ms, milliamps = load([(-10.0, 2.0), (11.0, 2.0), NEXT])
    millivolts = np.where(milliamps > 0, -(2**63), 48_000)
    entries, _ = fold_columns({"amps": (at_ms, milliamps), "volts": (at_ms, millivolts)})
    cycle = _cycles(entries)[0]
    assert cycle.figure("charge_factor").value == pytest.approx(1.1)
    assert cycle.figure("watt_hour_efficiency").value is None
    assert cycle.figure("watt_hour_efficiency").reason == "what the readings leave out may be more than what they hold"


def test_without_a_voltage_there_is_no_energy() -> None:
    entries, _ = fold_columns({"amps": load([(-10.0, 2.0), (11.0, 2.0), NEXT])})
    cycle = _cycles(entries)[0]
    for name in ("discharge_watt_hours", "charge_watt_hours", "watt_hour_efficiency", "minimum_volts"):
        assert cycle.figure(name).value is None
        assert cycle.figure(name).reason
