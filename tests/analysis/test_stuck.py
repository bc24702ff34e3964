"""Channels that show no change where there should be some. The bank has 100 Ah: 3 Ah have to be moved."""

from __future__ import annotations

import json

import numpy as np
import pytest
from day_tools import HOUR, fold_columns, load
from fold_tools import axis, bank, block, plan, series
from hypothesis import given, settings
from hypothesis import strategies as st

from loggerd.analysis.fold import BankFold
from loggerd.analysis.stretch import CHARGE2_PER_AMP_HOUR, Spread, Stretch
from loggerd.analysis.stuck import StuckWatch
from loggerd.model.ledger import Instant, MarkSpan
from loggerd.model.marks import Mark

CHANNELS = frozenset({"amps", "volts", "block_1_volts", "ambient_celsius", "block_1_celsius"})


def _phase(
    channel: str, low: int, high: int, *, hours: float = 1.0, moved: float = 5.0, label: int = -1, start: float = 0.0,
    readings: int = 100,
) -> Stretch:  # fmt: skip
    begin = round(start * HOUR)
    charge2 = round(label * moved * CHARGE2_PER_AMP_HOUR)
    phase = Stretch(label, 1, begin, 1, begin + round(hours * HOUR), readings=readings, charge2=charge2)
    phase.spreads[channel] = Spread(low, high, (low + high) * readings // 2, readings)
    return phase


def _marks(*phases: Stretch) -> list[MarkSpan]:
    return StuckWatch(100.0, CHANNELS).push(list(phases))


@pytest.mark.parametrize("channel", ["volts", "block_1_volts"])
def test_a_voltage_that_stands_still_while_charge_is_moved(channel: str) -> None:
    assert _marks(_phase(channel, 48_000, 48_000, hours=0.5, moved=3.0, readings=20)) == [
        MarkSpan(channel, int(Mark.STUCK), Instant(1, 0), Instant(1, HOUR // 2), 20)
    ]


@pytest.mark.parametrize(
    "phase",
    [
        _phase("volts", 48_000, 48_001),
        _phase("volts", 48_000, 48_000, hours=0.499),
        _phase("volts", 48_000, 48_000, moved=2.99),
        _phase("volts", 48_000, 48_000, readings=19),
        _phase("left_out", 1, 1),
        _phase("block_2_volts", 12_000, 12_000),
        _phase("amps", -5_000, -5_000, hours=5.99),
        _phase("amps", 0, 0, hours=48, label=0),
        _phase("amps", -5_000, -4_999, hours=48),
        _phase("ambient_celsius", 20_000, 20_000, hours=47.9),
    ],
)
def test_what_is_not_stuck(phase: Stretch) -> None:
    watch = StuckWatch(100.0, CHANNELS)
    assert watch.push([phase]) == watch.finish() == []


@pytest.mark.parametrize("label", [-1, 1])
def test_a_current_that_stands_still_for_six_hours(label: int) -> None:
    (mark,) = _marks(_phase("amps", 5_000 * label, 5_000 * label, hours=6, label=label))
    assert (mark.channel, mark.mark, mark.readings) == ("amps", Mark.STUCK, 100)


def _days(*values: int, watch: StuckWatch | None = None) -> StuckWatch:
    """Phases of 12 h with one temperature each, in turn discharge, charge, rest."""
    watch = watch or StuckWatch(100.0, CHANNELS)
    for number, value in enumerate(values):
        label = (-1, 1, 0)[number % 3]
        phase = _phase("ambient_celsius", value, value, hours=12, label=label, start=12 * number)
        assert watch.push([phase]) == []
    return watch


def test_a_temperature_that_stands_still_for_two_days() -> None:
    watch = _days(19_000, 20_000, 20_000, 20_000)
    assert watch.finish() == []
    watch = _days(19_000, 20_000, 20_000, 20_000, 20_000)
    expected = [MarkSpan("ambient_celsius", int(Mark.STUCK), Instant(1, 12 * HOUR), Instant(1, 60 * HOUR), 400)]
    assert watch.finish() == expected
    # It moves again: now the span is settled, and the next one begins with nothing.
    assert watch.push([_phase("ambient_celsius", 20_000, 21_000, hours=12, start=60)]) == expected
    assert watch.finish() == []


def test_another_constant_temperature_begins_anew() -> None:
    watch = _days(20_000, 20_000, 20_000, 20_000)
    assert len(watch.push([_phase("ambient_celsius", 21_000, 21_000, hours=48, start=48)])) == 1
    (mark,) = watch.finish()
    assert (mark.start.at_ms, mark.end.at_ms) == (48 * HOUR, 96 * HOUR)


def test_phases_without_a_reading_of_it_neither_count_nor_break() -> None:
    watch = _days(20_000, 20_000)
    assert watch.push([_phase("volts", 1, 2, hours=40, start=24)]) == []
    assert watch.finish() == []
    watch.push([_phase("ambient_celsius", 20_000, 20_000, hours=24, start=64)])
    assert [(mark.start.at_ms, mark.end.at_ms) for mark in watch.finish()] == [(0, 88 * HOUR)]


def test_a_checkpoint_keeps_how_long_it_has_stood_still() -> None:
    watch = _days(20_000, 20_000)
    resumed = StuckWatch(100.0, CHANNELS)
    resumed.load_plain(json.loads(json.dumps(watch.to_plain())))
    later = [_phase("ambient_celsius", 20_000, 20_000, hours=24, start=24)]
    assert watch.push(later) == resumed.push(later) == []
    assert resumed.finish() == watch.finish() != []


def _wandering(at_ms: np.ndarray, level: int) -> np.ndarray:
    return level + np.arange(len(at_ms)) % 5


def test_a_dead_tap_among_live_ones_in_a_whole_fold() -> None:
    at_ms, milliamps = load([(-10.0, 2.0), (0.0, 1.0), (10.0, 1.0)], interval_ms=60_000)
    columns = {
        "amps": (at_ms, milliamps + np.arange(len(at_ms)) % 3),
        "volts": (at_ms, _wandering(at_ms, 48_000)),
        "block_1_volts": (at_ms, np.full(len(at_ms), 12_000)),
        "block_2_volts": (at_ms, _wandering(at_ms, 12_000)),
    }
    _, marks = fold_columns(columns, interval_ms=60_000)
    # Both phases that moved 10 Ah or more: the first is over, the last is still under way.
    assert [(one.channel, one.mark, one.start.at_ms, one.end.at_ms) for one in marks] == [
        ("block_1_volts", Mark.STUCK, 0, 2 * HOUR),
        ("block_1_volts", Mark.STUCK, 3 * HOUR, 4 * HOUR),
    ]


def test_a_sum_of_strings_is_no_channel_that_could_be_stuck() -> None:
    at_ms, milliamps = load([(-10.0, 8.0)], interval_ms=60_000)
    wander = np.arange(len(at_ms)) % 7
    columns = {"string_1_amps": (at_ms, milliamps // 2 + wander), "string_2_amps": (at_ms, milliamps // 2 - wander)}
    _, marks = fold_columns(columns, bank(200.0, strings=2), interval_ms=60_000)
    assert marks == []
    columns["string_2_amps"] = (at_ms, milliamps // 2)
    _, marks = fold_columns(columns, bank(200.0, strings=2), interval_ms=60_000)
    assert [(one.channel, one.mark) for one in marks] == [("string_2_amps", Mark.STUCK)]


@settings(deadline=None, max_examples=30)
@given(st.lists(st.integers(1, 1_400), max_size=6), st.integers(0, 1_400))
def test_marks_do_not_depend_on_how_the_readings_are_grouped(cuts: list[int], moves_at: int) -> None:
    """Four days of ten hours out and fourteen in, with a thermometer that stands still except once."""
    at_ms, milliamps = load([(-5.0, 10.0), (4.0, 14.0)] * 4, interval_ms=240_000)
    celsius = np.full(len(at_ms), 21_000)
    celsius[moves_at:] += 100
    columns = [milliamps, _wandering(at_ms, 48_000), celsius]
    made = plan({name: series(name) for name in ("amps", "volts", "ambient_celsius")}, bank(100.0))
    found = []
    for edges in ([], sorted(set(cuts))):
        fold = BankFold(made)
        marks = []
        for first, last in zip([0, *edges], [*edges, len(at_ms)], strict=True):
            piece = block(at_ms[first:last], [column[first:last] for column in columns])
            marks += fold.push(axis(240_000), [piece]).marks
            state = fold.dump()
            fold = BankFold(made)
            fold.load(state)
        found.append(set(marks) | set(fold.view().marks))
    assert found[0] == found[1]
    assert {"amps"} <= {one.channel for one in found[0]}
