"""Runs of one label and their sums, by hand. Thresholds: 120 and 72 mA; a jump is more than 400 mA."""

from __future__ import annotations

import numpy as np
import pytest
from scalar_phases import LIMITS, STEP

from loggerd.analysis.intervals import LeadColumns
from loggerd.analysis.runs import RunBuilder, SideColumn
from loggerd.analysis.stretch import CHARGE2_PER_MILLIAMP_HOUR, Spread, Stretch
from loggerd.model.channels import MISSING


def _lead(
    at_ms: list[int],
    milliamps: list[int],
    millivolts: list[int] | None = None,
    counter: list[int] | None = None,
    averaged: bool = False,
) -> LeadColumns:
    return LeadColumns(
        1,
        np.array(at_ms, dtype=np.int64),
        np.array(milliamps, dtype=np.int64),
        np.array(millivolts or [MISSING] * len(at_ms), dtype=np.int64),
        None if counter is None else np.array(counter, dtype=np.int64),
        averaged,
    )


def _runs(lead: LeadColumns, sides: list[SideColumn] | None = None, gap_ms: int = 3_000) -> list[Stretch]:
    builder = RunBuilder(LIMITS, gap_ms, STEP)
    return builder.push(lead, sides or []) + builder.break_off()


def _edges(runs: list[Stretch]) -> list[tuple[int, int, int]]:
    return [(run.label, run.start_ms, run.end_ms) for run in runs]


def test_while_the_current_drifts_an_interval_is_shared_by_both_readings() -> None:
    """-1 A, -1.2 A, -1.1 A a second apart: 1.1 + 1.15 As, and twice that."""
    (run,) = _runs(_lead([0, 1_000, 2_000], [-1_000, -1_200, -1_100]))
    assert (run.charge2, run.time2, run.readings) == (-2 * 2_250_000, 2 * 2_000, 3)
    assert (run.out2, run.in2, run.out_time2) == (run.charge2, 0, run.time2)
    assert run.steps == 0


def test_where_the_load_switches_the_interval_goes_with_the_reading_after_it() -> None:
    """Nothing, nothing, 10 A, 10 A: the 10 A are there from the second reading on, 2 s of them."""
    rest, charge = _runs(_lead([0, 1_000, 2_000, 3_000], [0, 0, 10_000, 10_000]))
    assert _edges([rest, charge]) == [(0, 0, 1_000), (1, 1_000, 3_000)]
    assert (rest.charge2, rest.time2) == (0, 2_000)
    assert (charge.charge2, charge.time2) == (2 * 20_000_000, 4_000)
    assert charge.first_jump == 10_000 * 1_000
    assert charge.steps == 1
    assert charge.step_total == 10_000


def test_a_jump_within_a_run_is_no_new_run() -> None:
    (run,) = _runs(_lead([0, 1_000, 2_000], [-5_000, -9_000, -9_000]))
    assert run.charge2 == -2 * 18_000_000
    assert (run.steps, run.step_total) == (1, 4_000)


def test_power_is_rounded_to_milliwatts_for_each_reading() -> None:
    """-1.5 A at 48.001 V are 72.0015 W, seen by readings that stand for 1 s and 1 s."""
    (run,) = _runs(_lead([0, 2_000], [-1_500, -1_500], [48_001, 48_001]))
    assert run.energy2 == -72_001 * 2 * 2_000
    assert run.unpowered2 == 0


def test_time_without_a_voltage_is_told() -> None:
    (run,) = _runs(_lead([0, 1_000, 2_000], [-1_500] * 3, [48_000, MISSING, 48_000]))
    assert run.unpowered2 == 2_000
    assert run.energy2 == -72_000 * 2_000


@pytest.mark.parametrize("gap", [3_001, 599_000, 600_000])
def test_a_short_gap_is_filled_with_the_mean_of_both_sides(gap: int) -> None:
    (run,) = _runs(_lead([0, 1_000, 1_000 + gap], [-1_000, -1_000, -1_400]))
    assert run.charge2 == -(2_000 * 1_000 + 2_400 * gap)
    assert (run.filled_ms, run.lost_ms) == (gap, 0)


def test_a_gap_between_two_states_is_shared_out_at_its_middle() -> None:
    before, after = _runs(_lead([0, 1_000, 61_000, 62_000], [-1_000, -1_000, 3_000, 3_000]))
    assert _edges([before, after]) == [(-1, 0, 31_000), (1, 31_000, 62_000)]
    assert before.charge2 == -(2 * 1_000_000 + 1_000 * 60_000)
    assert after.charge2 == 2 * 3_000_000 + 3_000 * 60_000
    assert (before.filled_ms, after.filled_ms) == (0, 60_000)
    assert after.first_jump == 0


def test_a_longer_gap_parts_runs_and_is_not_counted() -> None:
    before, after = _runs(_lead([0, 1_000, 601_001, 602_001], [-1_000] * 4))
    assert _edges([before, after]) == [(-1, 0, 1_000), (-1, 601_001, 602_001)]
    assert before.charge2 == after.charge2 == -2_000_000
    assert before.time2 == after.time2 == 2_000


def test_an_averaged_current_holds_for_the_whole_interval_before_it() -> None:
    """Averages of the second before: 0, 4 A, 8 A. The charge begins with the interval that the 4 A are the mean of."""
    rest, charge = _runs(_lead([0, 1_000, 2_000, 3_000], [0, 0, 4_000, 8_000], averaged=True))
    assert _edges([rest, charge]) == [(0, 0, 1_000), (1, 1_000, 3_000)]
    assert charge.charge2 == 2 * 12_000_000
    assert charge.variation == 0


def test_the_count_of_the_instrument_stands_for_the_product() -> None:
    """It counted 7 mAh and 9 mAh while the readings say 2.8 mAh each; the unknown interval falls back to them."""
    counter = [MISSING, 7, 9, MISSING]
    (run,) = _runs(_lead([0, 1_000, 2_000, 3_000], [10_000] * 4, [50_000] * 4, counter))
    assert run.charge2 == 16 * CHARGE2_PER_MILLIAMP_HOUR + 2 * 10_000 * 1_000
    assert run.counted2 == 2 * 2_000
    assert run.energy2 == run.charge2 // 1000 * 50_000
    assert run.variation == 0


def test_a_count_goes_to_the_side_whose_direction_it_has() -> None:
    out, into = _runs(_lead([0, 1_000, 2_000, 3_000], [-5_000, -5_000, 5_000, 5_000], counter=[MISSING, -1, -1, 1]))
    assert out.charge2 == -2 * CHARGE2_PER_MILLIAMP_HOUR
    assert into.charge2 == CHARGE2_PER_MILLIAMP_HOUR


def test_spreads_take_readings_of_other_devices_by_their_time() -> None:
    """The charge begins at 1000 ms: what was read up to then belongs to the rest before."""
    lead = _lead([0, 1_000, 2_000, 3_000], [0, 0, 10_000, 10_000], [48_000, 48_100, 54_000, 54_200])
    side = SideColumn("ambient_celsius", np.array([-5, 500, 1_000, 1_001, 3_000]), np.array([1, 20, 30, MISSING, 50]))
    rest, charge = _runs(lead, [side])
    assert rest.spreads["ambient_celsius"] == Spread(20, 30, 50, 2)
    assert charge.spreads["ambient_celsius"] == Spread(50, 50, 50, 1)
    assert rest.spreads["volts"] == Spread(48_000, 48_100, 96_100, 2)
    assert charge.spreads["amps"] == Spread(10_000, 10_000, 20_000, 2)


def test_readings_of_another_device_wait_for_the_current_that_tells_their_run() -> None:
    builder = RunBuilder(LIMITS, 3_000, STEP)
    early, late = (
        SideColumn("block_1_volts", np.array([at]), np.array([value])) for at, value in ((500, 12_000), (1_500, 13_000))
    )
    assert (
        builder.push(
            _lead([0], [0]),
            [
                early,
            ],
        )
        == []
    )
    assert builder.push(_lead([], []), [late]) == []
    (rest,) = builder.push(_lead([1_000, 2_000], [0, 10_000]), [])
    (charge,) = builder.break_off()
    assert rest.spreads["block_1_volts"] == Spread(12_000, 12_000, 12_000, 1)
    assert charge.spreads["block_1_volts"] == Spread(13_000, 13_000, 13_000, 1)


def test_two_channels_may_wait_at_once() -> None:
    builder = RunBuilder(LIMITS, 3_000, STEP)
    late = [SideColumn(f"block_{number}_volts", np.array([9_000]), np.array([number])) for number in (1, 2, 3)]
    builder.push(_lead([0], [0]), late)
    builder.push(_lead([1_000], [0]), [])
    builder.push(_lead([9_000], [0]), [])
    (run,) = builder.break_off()
    assert [run.spreads[f"block_{number}_volts"].low for number in (1, 2, 3)] == [1, 2, 3]


def test_the_end_of_a_run_is_its_last_five_minutes() -> None:
    """One reading a minute: the last five of each run."""
    current = [10_000 + 100 * k for k in range(20)] + [0] * 3
    charge, rest = _runs(_lead([k * 60_000 for k in range(23)], current, [54_000] * 20 + [50_000] * 3), gap_ms=150_000)
    assert charge.tail_count == 5
    assert charge.tail_milliamps == sum(current[15:20])
    assert charge.tail_millivolts == 5 * 54_000
    assert (rest.tail_count, rest.tail_milliamps) == (3, 0)
