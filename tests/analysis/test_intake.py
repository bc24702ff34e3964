"""Marks of single values, and their spans."""

from __future__ import annotations

import json

import numpy as np
import pytest

from loggerd.analysis.intake import (
    SPAN_MS,
    ClockWatch,
    SpanTracker,
    SpikeWatch,
    check_range,
    spike_limit,
    taps_disagree,
)
from loggerd.model.channels import MISSING, parse_channel
from loggerd.model.ledger import Instant, MarkSpan
from loggerd.model.marks import Mark


def _array(*values: int) -> np.ndarray:
    return np.array(values, dtype=np.int64)


def test_values_outside_the_range_are_kept_out_of_sums_and_told() -> None:
    checked = check_range(_array(-5, 0, 10, 11, MISSING, 4), _array(1, 2, 3, 4, 5, 6), (0, 10))
    assert checked.values.tolist() == [MISSING, 0, 10, MISSING, MISSING, 4]
    assert checked.excluded == 2
    assert [(mark, when.tolist()) for mark, when in checked.marked] == [
        (Mark.UNREADABLE, [5]),
        (Mark.OUT_OF_RANGE, [1, 4]),
    ]


def test_values_inside_the_range_are_handed_on() -> None:
    values = _array(0, 10)
    checked = check_range(values, _array(1, 2), (0, 10))
    assert checked.values is values
    assert checked.marked == ()
    assert checked.excluded == 0


@pytest.mark.parametrize(
    ("name", "cells", "limit"),
    [
        ("volts", 24, 2_400),
        ("block_3_volts", 6, 600),
        ("block_3_celsius", 6, 5_000),
        ("amps", 24, None),
        ("string_1_amps", 24, None),
        ("net_amp_hours", 24, None),
    ],
)
def test_how_far_a_single_reading_cannot_jump(name: str, cells: int, limit: int | None) -> None:
    assert spike_limit(parse_channel(name), cells) == limit


def _spikes(values: list[int], milliamps: list[int] | None = None, pieces: int = 1) -> list[int]:
    watch = SpikeWatch(limit=600, current_limit=5_000)
    at_ms = np.arange(len(values)) * 1_000
    amps = None if milliamps is None else _array(*milliamps)
    found: list[int] = []
    for part in np.array_split(np.arange(len(values)), pieces):
        if len(part):
            found += watch.push(at_ms[part], _array(*values)[part], None if amps is None else amps[part]).tolist()
    return found


@pytest.mark.parametrize("pieces", [1, 2, 3, 7, 12])
@pytest.mark.parametrize(
    ("values", "milliamps", "expected"),
    [
        ([12_000, 12_010, 15_000, 12_020, 12_000], None, [2_000]),
        ([12_000, 12_010, 9_000, 12_020, 12_000], None, [2_000]),
        # too small a jump; a step that stays; a jump that does not come back to where it was
        ([12_000, 12_010, 12_600, 12_020, 12_000], None, []),
        ([12_000, 12_010, 15_000, 15_000, 15_000], None, []),
        ([12_000, 12_010, 15_000, 12_300, 12_300], None, []),
        # two of them with a reading between; next to a missing value nothing can be told
        ([12_000, 15_000, 12_000, 15_000, 12_000], None, [1_000, 2_000, 3_000]),
        ([12_000, MISSING, 15_000, 12_000, 12_000], None, []),
        ([12_000, 15_000, MISSING, 12_000, 12_000], None, []),
        # the current moved with it: a load pulse, no spike
        ([12_000, 12_010, 9_000, 12_020, 12_000], [0, 0, -60_000, 0, 0], []),
        ([12_000, 12_010, 9_000, 12_020, 12_000], [0, 0, -4_000, 0, 0], [2_000]),
    ],
)
def test_spikes(values: list[int], milliamps: list[int] | None, expected: list[int], pieces: int) -> None:
    assert _spikes(values, milliamps, pieces) == expected


def _clock(offsets: list[int], clock: list[int] | None = None, pieces: int = 1) -> list[tuple[Mark, list[int]]]:
    watch = ClockWatch()
    at_ms = np.arange(len(offsets)) * 1_000
    states = _array(*(clock or [0] * len(offsets)))
    found: list[tuple[Mark, list[int]]] = []
    for part in np.array_split(np.arange(len(offsets)), pieces):
        if len(part):
            marks = watch.push(1, at_ms[part], _array(*offsets)[part], states[part])
            found += [(mark, when.tolist()) for mark, when in marks]
    return found


@pytest.mark.parametrize("pieces", [1, 2, 4])
@pytest.mark.parametrize(
    ("offsets", "expected"),
    [
        ([50, 50, 50, 50], []),
        ([50, 50, 90_000, 90_000], []),  # set forward: no reading is out of order
        ([50, 50, -960, -960], [(Mark.BACKWARD_TIME, [2_000])]),
        ([50, 50, -950, -950], [(Mark.REPEATED_TIME, [2_000])]),
        ([50, 50, -949, -949], []),
    ],
)
def test_steps_of_the_wall_clock(offsets: list[int], expected: list[tuple[Mark, list[int]]], pieces: int) -> None:
    assert _clock(offsets, pieces=pieces) == expected


@pytest.mark.parametrize("pieces", [1, 2, 4])
@pytest.mark.parametrize(
    ("offsets", "states", "expected"),
    [
        ([50, 50, -21_600_000, -21_600_000], [0] * 4, [(2_000, -21_600_050)]),
        ([50, 50, 3_600_050, 3_600_050], [0] * 4, [(2_000, 3_600_000)]),
        ([50, 50, -30_000, -30_000], [0] * 4, []),  # put right by seconds
        ([50, 50, 3_600_050, 3_600_050], [1, 1, 0, 0], []),  # set for the first time
        ([50, 50, -86_400_000, -86_400_000], [0, 0, 1, 1], []),  # lost: said as not set
    ],
)
def test_jumps_of_a_clock_that_was_set(
    offsets: list[int], states: list[int], expected: list[tuple[int, int]], pieces: int
) -> None:
    watch, found = ClockWatch(), []
    for part in np.array_split(np.arange(4), pieces):
        watch.push(1, part * 1000, _array(*offsets)[part], _array(*states)[part])
        found += watch.jumps
    assert found == expected


def test_readings_while_the_clock_was_not_set() -> None:
    assert _clock([0, 0, 5_000], [1, 1, 0]) == [(Mark.CLOCK_NOT_SET, [0, 1_000])]


def test_each_session_has_a_wall_clock_of_its_own() -> None:
    watch = ClockWatch()
    assert watch.push(1, _array(0, 1_000), _array(9_000, 9_000), _array(0, 0)) == []
    assert watch.push(2, _array(2_000), _array(0), _array(0)) == []
    ((mark, when),) = watch.push(2, _array(3_000), _array(-5_000), _array(0))
    assert (mark, when.tolist()) == (Mark.BACKWARD_TIME, [3_000])


@pytest.mark.parametrize(
    ("total", "bank", "same_device", "wrong"),
    [
        (50_250, 50_000, True, False),  # 0.5 % of 50 V
        (50_251, 50_000, True, True),
        (49_749, 50_000, True, True),
        (12_100, 12_000, True, False),  # 0.1 V at least
        (12_101, 12_000, True, True),
        (50_600, 50_000, False, False),  # 1 % and 0.1 V with two devices
        (50_601, 50_000, False, True),
        (MISSING, 50_000, True, False),
        (50_000, MISSING, True, False),
    ],
)
def test_taps_that_do_not_add_up(total: int, bank: int, same_device: bool, wrong: bool) -> None:
    assert taps_disagree(_array(total), _array(bank), same_device).tolist() == [wrong]


def _span(first: int, last: int, readings: int, mark: Mark = Mark.SPIKE) -> MarkSpan:
    return MarkSpan("volts", int(mark), Instant(1, first), Instant(1, last), readings)


def test_marked_readings_within_ten_minutes_are_one_span() -> None:
    tracker = SpanTracker()
    assert tracker.add("volts", Mark.SPIKE, 1, _array(0, 5_000, 5_000 + SPAN_MS)) == []
    closed = tracker.add("volts", Mark.SPIKE, 1, _array(5_001 + 2 * SPAN_MS))
    assert closed == [_span(0, 5_000 + SPAN_MS, 3)]
    assert tracker.finish() == [_span(5_001 + 2 * SPAN_MS, 5_001 + 2 * SPAN_MS, 1)]


def test_marks_and_channels_do_not_mix() -> None:
    tracker = SpanTracker()
    tracker.add("volts", Mark.SPIKE, 1, _array(0))
    tracker.add("volts", Mark.OUT_OF_RANGE, 1, _array(10))
    tracker.add("block_1_volts", Mark.SPIKE, 1, _array(20))
    assert sorted((one.channel, one.mark) for one in tracker.finish()) == [
        ("block_1_volts", 2),
        ("volts", 1),
        ("volts", 2),
    ]


def test_a_span_settles_when_no_later_reading_can_belong_to_it() -> None:
    tracker = SpanTracker()
    tracker.add("volts", Mark.OUT_OF_RANGE, 1, _array(1_000))
    assert tracker.settle(1_000 + SPAN_MS, {}) == []
    assert tracker.settle(1_001 + SPAN_MS, {}) == [_span(1_000, 1_000, 1, Mark.OUT_OF_RANGE)]
    assert tracker.settle(10**9, {}) == []


def test_a_mark_that_is_still_undecided_holds_its_span_open() -> None:
    tracker = SpanTracker()
    tracker.add("volts", Mark.SPIKE, 1, _array(1_000))
    undecided = {("volts", Mark.SPIKE): 1_000 + SPAN_MS}
    assert tracker.settle(10**9, undecided) == []
    assert tracker.add("volts", Mark.SPIKE, 1, _array(1_000 + SPAN_MS)) == []
    assert tracker.finish() == [_span(1_000, 1_000 + SPAN_MS, 2)]


def test_taps_that_disagree_for_a_reading_or_two_were_read_while_a_load_switched() -> None:
    tracker = SpanTracker()
    tracker.add("taps of string 1", Mark.TAPS_DISAGREE, 1, _array(0, 1_000))
    assert tracker.settle(10**9, {}) == []
    tracker.add("taps of string 1", Mark.TAPS_DISAGREE, 1, _array(0, 1_000, 2_000))
    assert [one.readings for one in tracker.finish()] == [3]


def test_open_spans_survive_a_checkpoint() -> None:
    tracker, resumed = SpanTracker(), SpanTracker()
    tracker.add("a/b volts", Mark.SPIKE, 3, _array(5, 6))
    resumed.load_plain(json.loads(json.dumps(tracker.to_plain())))
    assert resumed.finish() == tracker.finish()
    assert resumed.finish()[0].channel == "a/b volts"
