"""Depth bands over whole days: what the fold makes of the turning points. The standard's own numbers are elsewhere."""

from __future__ import annotations

import json

import pytest
from day_tools import day
from fold_tools import bank, of_ledger
from hypothesis import given
from hypothesis import strategies as st

from loggerd.analysis.depth_bands import DepthCounter
from loggerd.model.ledger import LedgerName


def _bands(steps: list[tuple[float, float]]) -> list[tuple[float, float, bool]]:
    return [
        (round(entry.figure("depth").value, 6), entry.figure("cycles").value, entry.complete)
        for entry in of_ledger(day(steps, bank(100.0)), LedgerName.DEPTH_BANDS)
    ]


def test_three_equal_days() -> None:
    """30 % out and back three times: what is closed is counted, the path still open shows as halves."""
    bands = _bands([(-10.0, 3.0), (10.0, 3.0)] * 3)
    assert sum(cycles for _, cycles, _ in bands) == 3.0
    assert {depth for depth, _, _ in bands} == {0.3}
    assert bands[-1][2] is False


def test_a_shallow_cycle_within_a_deep_one() -> None:
    """Down 50 %, up 20 %, down 20 %, up 50 %: one cycle of 20 %, and one of 50 % in two halves."""
    bands = _bands([(-10.0, 5.0), (10.0, 2.0), (-10.0, 2.0), (10.0, 5.0)])
    assert bands == [(0.2, 1.0, True), (0.5, 0.5, False), (0.5, 0.5, False)]


def test_charge_beyond_what_was_taken_out_is_not_stored() -> None:
    """20 Ah out, 30 Ah in, 20 Ah out: the path turns at full, not 10 Ah above it."""
    bands = _bands([(-10.0, 2.0), (10.0, 3.0), (-10.0, 2.0), (0.0, 1.0)])
    assert [depth for depth, _, _ in bands] == pytest.approx([0.2] * 3)


def test_reversals_below_the_gate_are_not_counted() -> None:
    """0.9 Ah back and forth on 100 Ah, where 1 Ah is the gate."""
    bands = _bands([(-10.0, 2.0), (10.0, 0.09), (-10.0, 0.09), (10.0, 2.0)])
    assert [depth for depth, _, _ in bands] == [0.2, 0.2]


STEPS = st.lists(st.floats(-60, 60, allow_nan=False), min_size=1, max_size=40)


@given(STEPS, st.integers(0, 40))
def test_going_on_from_a_checkpoint_counts_the_same(steps: list[float], at: int) -> None:
    straight, resumed = DepthCounter(1.0), DepthCounter(1.0)
    for number, amp_hours in enumerate(steps):
        if number == at:
            state = json.loads(json.dumps(resumed.to_plain()))
            resumed = DepthCounter(1.0)
            resumed.load_plain(state)
        step = (amp_hours, (1, number), (1, number + 1))
        assert straight.push(*step) == resumed.push(*step)
        assert straight.residue() == resumed.residue()


@given(STEPS)
def test_looking_at_the_residue_leaves_no_trace(steps: list[float]) -> None:
    counter = DepthCounter(1.0)
    for number, amp_hours in enumerate(steps):
        counter.push(amp_hours, (1, number), (1, number + 1))
        before = counter.to_plain()
        counter.residue()
        assert counter.to_plain() == before
        assert counter.depth >= 0
