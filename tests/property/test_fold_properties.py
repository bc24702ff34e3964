"""Properties of the fold that hold for every stream, however nasty."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
from fold_tools import axis, bank, block, plan, series, whole
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from nasty_streams import SEGMENT, Stream, cut_streams, fold_stream, pushes, streams

from loggerd.analysis.fold import BankFold
from loggerd.analysis.plan import Rules
from loggerd.model.bank import Accuracy
from loggerd.model.ledger import Entry, Figure, Instant, LedgerName, PhaseKind

SLOW = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])


@settings(SLOW, max_examples=600)
@given(cut_streams())
def test_any_chunking_gives_the_same_to_the_last_bit(case: tuple[Stream, list[list[int]]]) -> None:
    stream, cuts = case
    at_once, in_pieces = fold_stream(stream), fold_stream(stream, cuts)
    assert at_once.entries == in_pieces.entries
    assert at_once.settled == in_pieces.settled
    assert at_once.marks == in_pieces.marks


@settings(SLOW, max_examples=120)
@given(streams())
def test_one_scan_at_a_time_gives_the_same_to_the_last_bit(stream: Stream) -> None:
    at_once = fold_stream(stream)
    one_by_one = fold_stream(stream, [run.instants() for run in stream.runs])
    assert at_once.entries == one_by_one.entries
    assert at_once.settled == one_by_one.settled
    assert at_once.marks == one_by_one.marks


@settings(SLOW, max_examples=100)
@given(cut_streams())
def test_going_on_from_a_checkpoint_gives_the_same(case: tuple[Stream, list[list[int]]]) -> None:
    stream, cuts = case
    straight, resumed = fold_stream(stream, cuts), fold_stream(stream, cuts, reload=True)
    assert straight.entries == resumed.entries
    assert straight.marks == resumed.marks
    assert json.loads(straight.state) == json.loads(resumed.state)


@settings(SLOW, max_examples=60)
@given(cut_streams())
def test_a_view_leaves_no_trace(case: tuple[Stream, list[list[int]]]) -> None:
    stream, cuts = case
    fold = BankFold(stream.plan)
    settled = 0
    for run, instants in zip(stream.runs, cuts, strict=True):
        for piece in pushes(run, instants):
            settled += len(fold.push(run.axis, piece).entries)
            before = fold.dump()
            first, second = fold.view(), fold.view()
            assert first == second
            assert fold.dump() == before
    assert settled == fold_stream(stream).settled


def _shifted(entry: Entry, by_ms: int) -> Entry:
    start, end = entry.start, entry.end
    return replace(
        entry, start=Instant(start.session, start.at_ms + by_ms), end=Instant(end.session, end.at_ms + by_ms)
    )


@settings(SLOW, max_examples=60)
@given(streams(), st.integers(-(10**9), 10**9))
def test_another_date_changes_the_dates_alone(stream: Stream, by_ms: int) -> None:
    def moved(since_ms: int | None) -> int | None:
        return None if since_ms is None else since_ms + by_ms

    later = {
        number: replace(one, scales=tuple(replace(scale, since_ms=moved(scale.since_ms)) for scale in one.scales))
        for number, one in stream.plan.series.items()
    }
    runs = tuple(replace(run, axis=replace(run.axis, offset_ms=run.axis.offset_ms + by_ms)) for run in stream.runs)
    here, there = fold_stream(stream), fold_stream(Stream(replace(stream.plan, series=later), runs))
    assert [_shifted(entry, by_ms) for entry in here.entries] == there.entries
    assert len(here.marks) == len(there.marks)


@st.composite
def loads(draw: st.DrawFn, quantum: int = 1) -> tuple[np.ndarray, np.ndarray, int]:
    """Times [ms] and currents [mA], a multiple of `quantum`, of one device without any fault; the usual interval."""
    interval_ms = draw(st.sampled_from((1_000, 10_000, 60_000)))
    segments = draw(st.lists(SEGMENT, min_size=1, max_size=8))
    current = np.concatenate([_segment(*segment) for segment in segments])
    jitter = np.random.default_rng(draw(st.integers(0, 2**32))).integers(-100, 101, len(current))
    at_ms = np.cumsum(np.full(len(current), interval_ms) + jitter)
    return at_ms, current // quantum * quantum, interval_ms


def _segment(kind: str, level: int, readings: int) -> np.ndarray:
    steps = np.arange(readings)
    if kind == "pulses":
        return np.where(steps // 2 % 2 == 0, level, 0)
    if kind == "alternating":
        return np.where(steps % 3 == 0, -level, level)
    return np.rint(np.linspace(level, level if kind == "steady" else -level // 3, readings)).astype(np.int64)


def _entries(
    at_ms: np.ndarray, milliamps: np.ndarray, interval_ms: int, scale: int = 1, rated: float = 20.0
) -> list[Entry]:
    accuracy = Accuracy(gain=0.01, offset=0.1 * scale, noise=0.0, resolution=0.001 * scale)
    channels = {"amps": series("amps", accuracy), "volts": series("volts")}
    rules = Rules(dwell_ms=4 * interval_ms, minimum_swing=0.02)
    fold = BankFold(plan(channels, bank(rated * scale), rules))
    volts = np.where(milliamps > 0, 54_000, 48_000)
    return whole([fold.push(axis(interval_ms), [block(at_ms, [milliamps, volts])])], fold)


def _phases(entries: list[Entry]) -> list[Entry]:
    return [entry for entry in entries if entry.ledger is LedgerName.PHASES]


_FLIPPED = {
    PhaseKind.DISCHARGE.value: PhaseKind.CHARGE.value,
    PhaseKind.CHARGE.value: PhaseKind.DISCHARGE.value,
    PhaseKind.REST.value: PhaseKind.REST.value,
}


@settings(SLOW, max_examples=100)
@given(loads())
def test_a_flipped_polarity_swaps_discharge_and_charge(load: tuple[np.ndarray, np.ndarray, int]) -> None:
    at_ms, milliamps, interval_ms = load
    there, back = (_phases(_entries(at_ms, sign * milliamps, interval_ms)) for sign in (1, -1))
    assert [(_FLIPPED[one.kind], one.start, one.end) for one in there] == [
        (one.kind, one.start, one.end) for one in back
    ]
    for one, other in zip(there, back, strict=True):
        assert one.figure("amp_hours") == other.figure("amp_hours")
        low, high = one.figure("minimum_amps").value, one.figure("maximum_amps").value
        assert (low, high) == (-other.figure("maximum_amps").value, -other.figure("minimum_amps").value)


def _close(one: Figure, other: Figure, factor: float = 1.0) -> bool:
    if one.value is None or other.value is None:
        return one == other
    return abs(one.value * factor - other.value) <= 1e-12 * abs(other.value)


@settings(SLOW, max_examples=100)
@given(loads(quantum=10), st.integers(2, 9))
def test_a_larger_plant_moves_more_amp_hours_at_the_same_ratios(
    load: tuple[np.ndarray, np.ndarray, int], factor: int
) -> None:
    at_ms, milliamps, interval_ms = load
    small = _entries(at_ms, milliamps, interval_ms)
    large = _entries(at_ms, milliamps * factor, interval_ms, scale=factor)
    assert [(one.ledger, one.kind, one.start, one.end) for one in small] == [
        (one.ledger, one.kind, one.start, one.end) for one in large
    ]
    for one, other in zip(small, large, strict=True):
        if one.ledger is LedgerName.PHASES:
            assert _close(one.figure("amp_hours"), other.figure("amp_hours"), factor)
        elif one.ledger is LedgerName.CYCLES:
            assert _close(one.figure("discharge_amp_hours"), other.figure("discharge_amp_hours"), factor)
            for name in ("charge_factor", "amp_hour_efficiency", "watt_hour_efficiency", "depth_of_discharge"):
                assert _close(one.figure(name), other.figure(name))


@st.composite
def steady_phases(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray, int, int]:
    """Times and currents of one discharge, charge or rest, and a stretch of it that may be lost."""
    interval_ms = draw(st.sampled_from((1_000, 10_000, 60_000)))
    level = draw(st.sampled_from((-40_000, -15_000, -9_000, -400, 0, 400, 9_000, 40_000)))
    readings = draw(st.integers(40, 200))
    wander = draw(st.sampled_from((0, 3, 20)))
    random = np.random.default_rng(draw(st.integers(0, 2**32)))
    milliamps = level + random.integers(-wander, wander + 1, readings)
    first = draw(st.integers(10, readings - 15))
    last = draw(st.integers(first + 3, min(readings - 9, first + 3_500_000 // interval_ms)))
    return np.arange(readings) * interval_ms, milliamps, first, last


@settings(SLOW, max_examples=400)
@given(steady_phases())
def test_a_gap_never_narrows_the_band_of_amp_hours(case: tuple[np.ndarray, np.ndarray, int, int]) -> None:
    """Holds where the lost stretch is a gap (three readings at least, an hour at most) without a jump of the load, and
    does not hold the only extremes of its phase.

    A gap is bounded by the currents seen around it. What was never seen, and a load whose switching the gap hides,
    cannot be bounded by readings at all.
    """
    at_ms, milliamps, first, last = case
    kept = np.ones(len(at_ms), dtype=bool)
    kept[first:last] = False
    assume(milliamps[kept].min() <= milliamps.min())
    assume(milliamps[kept].max() >= milliamps.max())
    interval_ms = int(at_ms[1] - at_ms[0])

    (full,) = _phases(_entries(at_ms, milliamps, interval_ms))
    (gapped,) = _phases(_entries(at_ms[kept], milliamps[kept], interval_ms))

    assert (full.kind, full.start, full.end) == (gapped.kind, gapped.start, gapped.end)
    assert gapped.figure("gap_seconds").value == (at_ms[last] - at_ms[first - 1]) / 1000
    before, after = full.figure("amp_hours"), gapped.figure("amp_hours")
    if before.low and after.low:  # a magnitude is cut at nothing, and with it the band
        assert after.high - after.low >= (before.high - before.low) * (1 - 1e-12)
    assert after.high >= before.high - 1e-12 or after.low <= before.low + 1e-12
    # The figure that all readings give is inside the band that the gap leaves.
    assert after.low - 1e-12 <= before.value <= after.high + 1e-12
