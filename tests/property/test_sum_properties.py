"""Sums, labels and phases against oracles that share no code with them: whole numbers, fractions, a scalar machine."""

from __future__ import annotations

import math
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from fold_tools import axis, bank, block, fold_arrays, of_ledger, plan, series, whole
from hypothesis import given, settings
from hypothesis import strategies as st
from scalar_phases import HIGH, LIMITS, LOW, STEP, phases_one_by_one, runs_one_by_one
from scipy.integrate import trapezoid

from loggerd.analysis.fold import BankFold
from loggerd.analysis.intervals import LeadColumns
from loggerd.analysis.labels import label_one, label_readings
from loggerd.analysis.phases import PhaseBuilder
from loggerd.analysis.plan import Rules
from loggerd.analysis.runs import RunBuilder
from loggerd.analysis.stretch import CHARGE2_PER_AMP_HOUR, Stretch
from loggerd.model.bank import Accuracy
from loggerd.model.channels import MISSING
from loggerd.model.ledger import LedgerName

QUICK = settings(deadline=None, max_examples=200)

CURRENTS = st.one_of(
    st.integers(-130, 130),
    st.sampled_from((0, 71, 72, 73, 119, 120, 121, -71, -72, -73, -119, -120, -121)),
    st.integers(-60_000, 60_000),
)


@QUICK
@given(st.lists(CURRENTS, min_size=1, max_size=80), st.sampled_from((-1, 0, 1)), st.integers(2, 200))
def test_labels_of_a_column_are_those_of_one_reading_after_another(currents: list[int], before: int, high: int) -> None:
    low = round(0.6 * high)
    expected, label = [], before
    for current in currents:
        label = label_one(current, high, low, label)
        expected.append(label)
    assert label_readings(np.array(currents), high, low, before).tolist() == expected


BLOCKS = st.lists(st.tuples(CURRENTS, st.integers(1, 30)), min_size=1, max_size=25)
"""A load as (milliamps, readings)."""


def _current(blocks: list[tuple[int, int]]) -> list[int]:
    return [current for current, readings in blocks for _ in range(readings)]


def _lead(at_ms: list[int], milliamps: list[int]) -> LeadColumns:
    volts = np.full(len(at_ms), MISSING, dtype=np.int64)
    return LeadColumns(1, np.array(at_ms), np.array(milliamps), volts, None, False)


def _phases(at_ms: list[int], milliamps: list[int], dwell_ms: int, gap_ms: int = 10**9) -> list[Stretch]:
    runs, phases = RunBuilder(LIMITS, gap_ms, STEP), PhaseBuilder(dwell_ms, HIGH)
    ended = phases.push(runs.push(_lead(at_ms, milliamps), []))
    return ended + phases.push(runs.break_off()) + phases.finish()


def _expected_charge2(at_ms: list[int], milliamps: list[int]) -> int:
    """Twice the integral [mA ms] in whole numbers: the mean of both ends, or the later end where the load switched."""
    label = label_one(milliamps[0], HIGH, LOW, 0)
    total = 0
    for k in range(1, len(at_ms)):
        before, label = label, label_one(milliamps[k], HIGH, LOW, label)
        switched = abs(milliamps[k] - milliamps[k - 1]) > STEP or label != before
        height2 = 2 * milliamps[k] if switched else milliamps[k] + milliamps[k - 1]
        total += height2 * (at_ms[k] - at_ms[k - 1])
    return total


@QUICK
@given(BLOCKS, st.lists(st.integers(1, 5_000), min_size=1, max_size=40))
def test_phases_split_the_charge_without_a_remainder(blocks: list[tuple[int, int]], steps: list[int]) -> None:
    milliamps = _current(blocks)
    at_ms = np.cumsum(np.resize(steps, len(milliamps))).tolist()
    phases = _phases(at_ms, milliamps, dwell_ms=20_000)
    assert sum(phase.charge2 for phase in phases) == _expected_charge2(at_ms, milliamps)
    assert sum(phase.time2 for phase in phases) == 2 * (at_ms[-1] - at_ms[0])
    assert sum(phase.duration_ms for phase in phases) == at_ms[-1] - at_ms[0]
    assert sum(phase.readings for phase in phases) == len(at_ms)
    assert all(one.end_ms == other.start_ms for one, other in pairwise(phases))
    assert all(one.last_jump == other.first_jump for one, other in pairwise(phases))


@QUICK
@given(st.lists(st.integers(-20_000, -300), min_size=2, max_size=300))
def test_amp_hours_of_a_drifting_discharge_are_the_exact_fraction(wander: list[int]) -> None:
    """One discharge whose current never jumps: the trapezoid rule in fractions, and math.fsum in floats."""
    milliamps = np.clip(np.cumsum(np.clip(np.array(wander) + 10_000, -STEP, STEP)) - 10_000, -20_000, -300).tolist()
    at_ms = [k * 1_000 + k % 7 for k in range(len(milliamps))]
    (phase,) = _phases(at_ms, milliamps, dwell_ms=20_000)
    steps = range(1, len(at_ms))
    exact = sum(
        (Fraction(milliamps[k] + milliamps[k - 1], 2) * (at_ms[k] - at_ms[k - 1]) for k in steps), Fraction(0)
    ) / (1000 * 3_600_000)
    assert Fraction(phase.charge2, CHARGE2_PER_AMP_HOUR) == exact
    floats = math.fsum((milliamps[k] + milliamps[k - 1]) / 2 * (at_ms[k] - at_ms[k - 1]) / 3.6e9 for k in steps)
    assert phase.charge2 / CHARGE2_PER_AMP_HOUR == pytest.approx(floats, rel=1e-12)


@pytest.mark.parametrize("interval", [1.0, 10.0, 60.0])
def test_amp_hours_of_a_day_of_sun_are_those_of_the_trapezoid_rule(interval: float) -> None:
    t = np.arange(0, 86_400, interval)
    amps = (
        np.rint((40 * np.sin(np.pi * (t - 21_600) / 43_200) ** 2 * ((t > 21_600) & (t < 64_800)) + 2.0) * 1000) / 1000
    )
    entries = fold_arrays(t, amps, np.full(len(t), 50.0), bank(400.0))
    (phase,) = of_ledger(entries, LedgerName.PHASES)
    assert phase.figure("amp_hours").value == pytest.approx(trapezoid(amps, t) / 3600, rel=1e-12)
    assert phase.figure("watt_hours").value == pytest.approx(trapezoid(amps * 50.0, t) / 3600, rel=1e-6)


GAPS = st.lists(
    st.tuples(st.integers(0, 400), st.sampled_from((4_000, 61_000, 599_000, 601_000, 3_590_000, 3_700_000))), max_size=4
)


@settings(deadline=None, max_examples=300)
@given(BLOCKS, GAPS, st.sampled_from((3_000, 10_000, 20_000)))
def test_phases_are_those_of_a_scalar_machine(
    blocks: list[tuple[int, int]], gaps: list[tuple[int, int]], dwell_ms: int
) -> None:
    milliamps = _current(blocks)
    step = np.full(len(milliamps), 1_000)
    for position, gap in gaps:
        step[position % len(step)] = gap
    at_ms = np.cumsum(step).tolist()
    expected = phases_one_by_one(runs_one_by_one(at_ms, milliamps, gap_ms=3_000), dwell_ms)
    found = _phases(at_ms, milliamps, dwell_ms, gap_ms=3_000)
    assert [(phase.label, phase.start_ms, phase.end_ms) for phase in found] == expected


def test_the_fold_uses_the_same_machine() -> None:
    """The scalar machine above against a whole fold, on a load with all of its cases."""
    pulses = [(4_000, 4), (0, 3)] * 30
    blocks = [(0, 30), (-9_000, 40), (0, 2), (-9_000, 25), (5_000, 8), (-9_000, 30), (150, 50), *pulses]
    milliamps = _current(blocks)
    at_ms = [k * 1_000 for k in range(len(milliamps))]
    channels = {"amps": series("amps", Accuracy(offset=0.1))}
    fold = BankFold(plan(channels, bank(20.0), Rules(dwell_ms=10_000)))
    entries = whole([fold.push(axis(1_000), [block(np.array(at_ms), [np.array(milliamps)])])], fold)
    labels = {"discharge": -1, "rest": 0, "charge": 1}
    found = [(labels[one.kind], one.start.at_ms, one.end.at_ms) for one in of_ledger(entries, LedgerName.PHASES)]
    assert found == phases_one_by_one(runs_one_by_one(at_ms, milliamps, 3_000), 10_000)
    assert [label for label, _, _ in found] == [0, -1, 1]
