"""Frames: what they hold, and that neither chunks nor restarts change them."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from fold_tools import bank, block, plan, series
from hypothesis import given, settings
from hypothesis import strategies as st

from loggerd.analysis.axis import SessionAxis
from loggerd.analysis.entered_log import EnteredLog
from loggerd.analysis.findings import fold as findings_fold
from loggerd.analysis.findings.catalogue import Ground
from loggerd.analysis.fold import BankFold
from loggerd.analysis.frames import FRAME_MS, Bins, Frame, Layout, Step, celsius_of
from loggerd.analysis.limit_table import LimitTable, limit_table
from loggerd.analysis.plan import BankPlan
from loggerd.model.bank import Accuracy
from loggerd.model.channels import MISSING
from loggerd.model.marks import Mark
from loggerd.model.scan import ScanBlock

START = 1_740_000_000_000 // FRAME_MS * FRAME_MS
BANK = bank(200.0, blocks=2, cells=6)
VALID = (-500_000, 500_000)


class Seen:
    """Stands in for the findings: keeps the frames it is given."""

    frames: list[Frame]

    def __init__(self, ground: Ground, limits: LimitTable, log: EnteredLog) -> None:
        del ground, limits, log

    def push(self, frames: list[Frame], order: int, before_ms: int | None = None) -> list[object]:
        del order, before_ms
        Seen.frames.extend(frames)
        return []

    def to_plain(self) -> dict[str, object]:
        return {}

    def load_plain(self, plain: dict[str, object]) -> None:
        del plain


@pytest.fixture(autouse=True)
def seen(monkeypatch: pytest.MonkeyPatch) -> type[Seen]:
    Seen.frames = []
    monkeypatch.setattr("loggerd.analysis.findings.watch.FindingsFold", Seen)
    assert findings_fold.FindingsFold is not Seen
    return Seen


def whole_plan() -> BankPlan:
    exact = Accuracy(noise=0.01)
    channels = {
        "amps": series("amps", exact, valid=VALID),
        "volts": series("volts", valid=VALID),
        "block_1_volts": series("block_1_volts", device="taps", valid=VALID),
        "block_2_volts": series("block_2_volts", device="taps", valid=VALID),
    }
    bare = plan(channels, BANK)
    return BankPlan(bare.bank, bare.series, bare.rules, limit_table([("any", None, 1.0)]))


AXIS = SessionAxis(1, 0, interval_ms={"meter": 1000, "taps": 5000})


def both(seconds: int, amps: np.ndarray, first: int = START) -> tuple[ScanBlock, ScanBlock]:
    """A second's readings of current and bank voltage, and taps every five seconds; 5 mOhm a block."""
    at = first + 1000 * np.arange(seconds)
    volts = 24_000 + amps // 100
    taps = slice(None, None, 5)
    return (
        block(at, [amps, volts], "meter", (0, 1)),
        block(at[taps] + 200, [volts[taps] // 2, volts[taps] // 2 + 40], "taps", (2, 3)),
    )


def test_a_frame_holds_mean_lowest_and_highest_of_five_minutes() -> None:
    amps = np.where(np.arange(700) < 300, -10_000, 20_000)
    amps[10] = -12_000
    fold = BankFold(whole_plan())

    fold.push(AXIS, list(both(700, amps)))

    first, second = Seen.frames
    assert first.number == START // FRAME_MS
    assert first.amps == pytest.approx((-10.0 * 299 - 12.0) / 300)
    assert first.lows[0] == -12.0
    assert first.highs[0] == -10.0
    assert first.amp_hours == pytest.approx(first.amps / 12)
    assert first.covered_ms == FRAME_MS
    assert second.amps == 20.0
    assert second.volts == pytest.approx(24.2)
    assert second.block_volts.tolist() == pytest.approx([12.1, 12.14])
    assert np.isnan(second.celsius)
    assert second.missed == 0


def test_a_jump_of_the_current_becomes_a_step_of_every_voltage() -> None:
    amps = np.where(np.arange(650) < 100, -5_000, -45_000)

    BankFold(whole_plan()).push(AXIS, list(both(650, amps)))

    steps = {step.device: step for step in Seen.frames[0].steps}
    assert steps["meter"].amps == -40.0
    assert steps["meter"].volts[1] == pytest.approx(-0.4)
    assert steps["meter"].interval_seconds == 2.0
    assert np.isnan(steps["meter"].volts[3])
    assert steps["taps"].amps == -40.0
    assert steps["taps"].volts[3] == pytest.approx(-0.2)


def test_what_the_bank_did_in_steps_found_together_is_that_of_each_by_itself() -> None:
    amps = np.where(np.arange(650) // 100 % 2 == 0, -5_000, -45_000)

    BankFold(whole_plan()).push(AXIS, list(both(650, amps)))

    steps = [step for frame in Seen.frames for step in frame.steps]
    again = [Step.of(step.at_ms, step.device, step.amps, step.volts, step.interval_seconds) for step in steps]
    assert {step.device for step in steps} == {"meter", "taps"}
    assert [(one.bank_volts, one.bank_ohms) for one in steps] == [(one.bank_volts, one.bank_ohms) for one in again]
    assert [step.ohms[1] for step in steps if step.device == "meter"] == [
        step.bank_ohms for step in steps if step.device == "meter"
    ]


def test_edges_of_frames_found_among_readings_are_those_of_their_times() -> None:
    close = START + np.array([-1, 0, 299_999, 300_000, 299_998, 900_000], dtype=np.int64)
    for at_ms in (close, np.append(close, START + 400 * FRAME_MS)):
        bins = Bins.of(at_ms, START // FRAME_MS)
        numbers = np.maximum(np.maximum.accumulate(at_ms // FRAME_MS), START // FRAME_MS)
        assert bins.numbers.tolist() == sorted(set(numbers.tolist()))
        assert bins.begins.tolist() == [numbers.tolist().index(one) for one in bins.numbers.tolist()]


@pytest.mark.parametrize("spoilt", [99, 101])
def test_a_jump_that_is_not_steady_on_both_sides_is_no_step(spoilt: int) -> None:
    amps = np.where(np.arange(650) < 100, -5_000, -45_000)
    amps[spoilt] -= 6_000

    BankFold(whole_plan()).push(AXIS, [both(650, amps)[0]])

    assert all(abs(step.amps) < 7 for frame in Seen.frames for step in frame.steps if step.at_ms < START + 100_000)
    assert not any(step.amps == -40.0 and step.at_ms == START + 101_000 for step in Seen.frames[0].steps)


@pytest.mark.parametrize("pieces", [1, 3, 7])
def test_a_jump_of_the_wall_clock_is_kept_with_its_frame(pieces: int) -> None:
    """Also when state is written and read between the pieces."""
    moved = [
        replace(one, wall_minus_mono_ms=np.where(one.mono_ms >= START + 450_000, -3_600_000, 0))
        for one in both(1000, np.full(1000, 3_000))
    ]
    fold = BankFold(whole_plan())
    bounds = [START + round(1_000_000 * place / pieces) for place in range(pieces + 1)]
    for begin, end in pairwise(bounds):
        parts = [one.slice(*np.searchsorted(one.mono_ms, [begin, end]).tolist()) for one in moved]
        fold.push(AXIS, parts)
        state = fold.dump()
        fold = BankFold(whole_plan())
        fold.load(state)

    assert [frame.clock_jump_ms for frame in Seen.frames] == [0, -3_600_000, 0]


def test_missing_frames_are_counted_and_half_read_ones_known() -> None:
    before = both(400, np.full(400, 3_000))
    after = both(1000, np.full(1000, 3_000), START + 7 * FRAME_MS)
    fold = BankFold(whole_plan())

    fold.push(AXIS, list(before))
    fold.push(AXIS, list(after))

    assert [frame.missed for frame in Seen.frames] == [0, 0, 5, 0, 0]
    assert [frame.covered_ms for frame in Seen.frames] == [300_000, 100_000, 300_000, 300_000, 300_000]
    assert any(mark is Mark.GAP_BEFORE for _, mark in Seen.frames[2].marks)


def test_a_pause_of_unknown_length_ends_the_frame() -> None:
    fold = BankFold(whole_plan())
    fold.push(AXIS, list(both(350, np.full(350, 3_000))))
    later = SessionAxis(2, 0, gap_unknown=True, interval_ms=AXIS.interval_ms)
    fold.push(later, list(both(350, np.full(350, 3_000), START + 400_000)))
    fold.view()

    assert [frame.after_unknown for frame in Seen.frames] == [False, False, True, False]
    assert [frame.session for frame in Seen.frames] == [1, 1, 2, 2]


def text(frames: list[Frame]) -> list[str]:
    """Everything of frames, to the last bit, as text."""
    return [
        repr(
            [
                frame.number,
                frame.session,
                frame.covered_ms,
                frame.missed,
                frame.means.tobytes(),
                frame.lows.tobytes(),
                frame.highs.tobytes(),
                frame.counts.tobytes(),
                [(step.at_ms, step.device, step.amps, step.volts.tobytes()) for step in frame.steps],
                sorted((name, int(mark), count) for (name, mark), count in frame.marks.items()),
            ]
        )
        for frame in frames
    ]


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_neither_pieces_nor_restarts_change_a_frame(data: st.DataObject) -> None:
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32)))
    seconds = data.draw(st.integers(700, 2500))
    amps = np.repeat(rng.integers(-60_000, 60_000, seconds // 7 + 1), 7)[:seconds]
    amps[rng.random(seconds) < 0.01] = MISSING
    amps[rng.random(seconds) < 0.005] = 900_000
    meter, taps = both(seconds, amps)
    keep = np.flatnonzero(rng.random(seconds) > 0.02)
    meter = block(meter.mono_ms[keep], [column[keep] for column in meter.counts], "meter", (0, 1))
    cuts = sorted(data.draw(st.lists(st.integers(0, seconds * 1000), max_size=12)))

    Seen.frames = []
    BankFold(whole_plan()).push(AXIS, [meter, taps])
    expected, Seen.frames = text(Seen.frames), []
    fold = BankFold(whole_plan())
    begins = [0, 0]
    for cut in [*cuts, 2**60]:
        pieces = []
        for number, one in enumerate((meter, taps)):
            stop = int(np.searchsorted(one.mono_ms, START + cut, side="right"))
            pieces.append(one.slice(begins[number], stop))
            begins[number] = stop
        fold.push(AXIS, pieces)
        state = json.loads(fold.dump())
        fold = BankFold(whole_plan())
        fold.load(json.dumps(state).encode())
    assert text(Seen.frames) == expected


def test_a_probe_that_shows_an_error_value_does_not_move_the_temperature_of_the_bank() -> None:
    layout = Layout.of(bank(200.0, blocks=4, cells=3))
    means = np.full((7, len(layout.names)), np.nan)
    means[:, layout.index["ambient_celsius"]] = [10.0, 10.0, 10.0, -127.0, 10.0, 10.0, 10.0]
    means[:, layout.block_celsius] = [
        [20.0, 21.0, 22.0, -127.0],
        [20.0, 85.0, 22.0, 24.0],
        [-127.0, 85.0, 300.0, np.nan],
        [np.nan, np.nan, np.nan, np.nan],
        [20.0, 21.0, 23.0, 60.0],
        [np.nan, 105.0, np.nan, np.nan],
        [30.0, 105.0, 108.0, 31.0],
    ]
    found = celsius_of(means, layout).tolist()

    assert found[:3] == [21.0, 22.0, 10.0]
    assert np.isnan(found[3])
    assert found[4] == 22.0
    assert found[5] == 10.0, "one alone may be an error value"
    assert found[6] == 68.0, "a string that boils is one"
    assert [celsius_of(means[row : row + 1], layout)[0] for row in (0, 1, 2, 4)] == [*found[:3], found[4]]
    counts = np.ones(means.shape[1], dtype=np.int64)
    frames = [
        Frame(number, 1, FRAME_MS, False, 0, layout, row, row, row, counts, warmth)
        for number, (row, warmth) in enumerate(zip(means, found, strict=True))
    ]
    assert [frame.by_air for frame in frames] == [False, False, True, False, False, True, False]
