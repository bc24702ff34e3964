"""Proof of a full charge by what its tail would still bring, and blocks that the current of a string does not show."""

from __future__ import annotations

from collections.abc import Callable
from math import exp

import pytest
from fold_tools import bank as small_bank
from frame_tools import Pipeline, ground_of, limits_of, make_frame, restarts_change_nothing

from loggerd.analysis.findings.events import BecameFull, TailSettled
from loggerd.analysis.findings.full_charge import FullCharge
from loggerd.analysis.frames import Frame
from loggerd.model.bank import Accuracy
from loggerd.model.finding import Finding

BANK = small_bank(rated_amp_hours=200.0)
LIMITS = limits_of()
CELLS = BANK.cells_in_series
HOLD = LIMITS["absorption_volts_per_cell"]
GROUND = ground_of(BANK, {"amps": Accuracy(0.005, 0.02), "volts": Accuracy(0.001, 0.01)})


def charge(
    tail: Callable[[float], tuple[float, float]],
    hours: float,
    out: float = 60.0,
    lag: Callable[[float], float] | None = None,
) -> list[Frame]:
    """A discharge of 10 h, a bulk charge, then `tail` (amps and volts per cell by hours held); `lag`: volts per cell
    that block 1 lacks, the others having them."""
    frames: list[Frame] = []

    def add(amps: float, volts: float, behind: float = 0.0) -> None:
        whole, cells = volts * CELLS, BANK.cells_per_block
        rest = behind * cells / (BANK.blocks - 1)
        blocks = [whole / BANK.blocks + (rest if number else -behind * cells) for number in range(BANK.blocks)]
        frames.append(make_frame(BANK, len(frames), amps, whole, block_volts=blocks))

    for number in range(120):
        add(-out / 10, 2.08 - 0.0004 * number)
    for number in range(16):
        add(30.0, 2.15 + (HOLD - 2.15) * number / 16)
    for number in range(round(12 * hours)):
        amps, volts = tail(number / 12)
        add(amps, volts, 0.0 if lag is None else lag(number / 12))
    for number in range(36):
        add(0.0, 2.15 - 0.001 * number)
    return frames


def falling(per_hour: float, floor: float = 0.0, first: float = 20.0) -> Callable[[float], tuple[float, float]]:
    return lambda hours: (floor + (first - floor) * exp(-per_hour * hours), HOLD)


def run(frames: list[Frame]) -> tuple[Finding, Pipeline, list[Finding]]:
    pipeline = Pipeline(GROUND, LIMITS, FullCharge)
    found = pipeline.run(frames)
    return [one for one in found if one.name == "full_charge.last"][-1], pipeline, found


def proven(pipeline: Pipeline) -> list[BecameFull]:
    return [one for one in pipeline.events if isinstance(one, BecameFull) and one.proven]


def test_solar_charge_cut_off_while_its_small_current_still_fell_fast_is_proven() -> None:
    """3.5 h of absorption: 1.2 A of gas, and a current that loses nine tenths of its excess in 2.5 h."""
    told, pipeline, _ = run(charge(falling(0.9, floor=1.2), 3.5))
    assert told.verdict == "full_proven"
    assert "more at the most" in told.reason
    (full,) = proven(pipeline)
    assert not full.settled


@pytest.mark.parametrize("per_hour", [0.1, 0.15, 0.2, 0.3])
def test_early_taper_is_no_proof_while_more_than_a_twentieth_is_missing(per_hour: float) -> None:
    """From 1.9 % of the rated amp-hours on, the current falls slowly: what it would still pass is known exactly."""
    told, pipeline, _ = run(charge(falling(per_hour, first=3.8), 14.0))
    times = [(full.at_ms - full.charge_start_ms) / 3_600_000 for full in proven(pipeline)]
    # The bulk charge takes 16 frames of the charge.
    left = [3.8 * exp(-per_hour * (hours - 16 / 12)) / per_hour for hours in times]
    assert all(one < 0.05 * 200 for one in left)
    assert told.verdict != "ended_early"


def test_half_a_percent_of_the_rated_amp_hours_is_no_proof_before_half_an_hour_of_it() -> None:
    told, pipeline, _ = run(charge(falling(0.12, first=1.6), 6.0))
    assert told.verdict == "full_proven"
    (full,) = proven(pipeline)
    assert full.tail_amps < 0.005 * 200
    assert full.tail_amps / 0.12 < 0.05 * 200


def test_noise_of_the_meter_does_not_prove_a_slow_tail() -> None:
    noise = [0.06, -0.05, 0.02, -0.06, 0.05, -0.02, 0.04, -0.04]

    def tail(hours: float) -> tuple[float, float]:
        return 4.0 * exp(-0.25 * hours) + 3 * noise[round(12 * hours) % len(noise)], HOLD

    told, pipeline, _ = run(charge(tail, 2.5))
    assert not proven(pipeline)
    assert told.verdict in ("unknown", "full_likely")


def test_more_missing_by_the_count_than_the_tail_tells_is_no_proof() -> None:
    """The second charge gives back far too little, yet its current falls as fast as if the bank were full."""
    whole = charge(falling(0.9, floor=1.2), 5.0)
    shown, _, _ = run(whole)
    assert shown.verdict == "full_proven"
    deep = charge(falling(0.9, floor=1.2), 3.5, out=150.0)
    both = [*whole, *(make_frame(BANK, len(whole) + row, one.amps, one.volts) for row, one in enumerate(deep))]
    told, pipeline, _ = run(both)
    assert len(proven(pipeline)) == 1
    assert told.verdict != "full_proven"


def clouded(minutes: int) -> Callable[[float], tuple[float, float]]:
    """A cloud once the tail is small, in which loads draw a little from the bank."""

    def tail(hours: float) -> tuple[float, float]:
        begin = 34 / 12
        if begin <= hours < begin + minutes / 60 - 1e-9:
            return -1.0, 2.2
        return falling(0.9, floor=1.2)(hours if hours < begin else hours - minutes / 60)

    return tail


def test_clouds_of_less_than_half_an_hour_do_not_interrupt_the_proof() -> None:
    still, _, _ = run(charge(clouded(0), 3.2))
    short, _, _ = run(charge(clouded(20), 3.9))
    assert (still.verdict, short.verdict) == ("full_proven", "full_proven")


def finishing(first_rise: float, fade: float) -> Callable[[float], tuple[float, float]]:
    """After 2.6 h at constant voltage, a finishing current of 6 A under which the voltage rises, ever slower."""

    def tail(hours: float) -> tuple[float, float]:
        late = hours - 2.6
        if late < 0:
            return falling(0.8, floor=1.0, first=27.0)(hours)
        rise = first_rise * late if fade == 0 else first_rise * (1 - exp(-fade * late)) / fade
        return 6.0, HOLD + rise

    return tail


def test_finishing_current_makes_good_what_the_tail_left_once_the_rise_slows() -> None:
    slowing, pipeline, _ = run(charge(finishing(0.25, 1.6), 4.6))
    steady, _, _ = run(charge(finishing(0.06, 0.0), 4.6))
    assert slowing.verdict == "full_proven"
    assert steady.verdict != "full_proven"
    assert not proven(pipeline)[0].settled


def test_tail_that_settles_after_the_proof_is_told_with_what_gas_takes() -> None:
    _, pipeline, _ = run(charge(falling(0.9, floor=1.2), 9.0))
    (full,) = proven(pipeline)
    (settled,) = [one for one in pipeline.events if isinstance(one, TailSettled)]
    assert settled.at_ms > full.at_ms
    assert settled.tail_amps == pytest.approx(1.2, rel=0.1)
    assert full.tail_amps > 1.1 * settled.tail_amps


def test_full_charge_with_one_block_far_behind_leaves_the_bank_not_full() -> None:
    frames = charge(falling(0.9, floor=1.2), 3.5, lag=lambda _: 0.3)
    seen = []

    class Spy(FullCharge):
        def push(self, moment):  # type: ignore[no-untyped-def]
            found = super().push(moment)
            seen.append(moment.since_full)
            return found

    pipeline = Pipeline(GROUND, LIMITS, Spy)
    told = [one for one in pipeline.run(frames) if one.name == "full_charge.last"][-1]
    assert told.verdict == "full_likely"
    assert "Block 1 stood" in told.reason
    assert len(proven(pipeline)) == 1
    assert (seen[-1].proven, seen[-1].block_behind) == (False, True)


def test_block_that_catches_up_in_the_same_charge_is_behind_no_more() -> None:
    told, _, _ = run(charge(falling(0.9, floor=1.2), 6.0, lag=lambda hours: 0.3 if hours < 4 else 0.02))
    assert told.verdict == "full_proven"


def test_restarts_change_nothing_of_proofs_by_what_is_left() -> None:
    frames = charge(finishing(0.25, 1.6), 4.6, lag=lambda hours: 0.3 if hours < 4 else 0.02)
    frames += [
        make_frame(BANK, len(frames) + row, one.amps, one.volts) for row, one in enumerate(charge(clouded(20), 3.9))
    ]
    assert len(restarts_change_nothing(GROUND, LIMITS, [FullCharge], frames)) > 2


def many_charges(hold_of: Callable[[float], float], noise: float) -> list[Finding]:
    """Charges at block temperatures over 5 K, the voltage held as `hold_of` says and `noise` [V per cell] around it."""
    frames: list[Frame] = []
    for number in range(20):
        celsius = 12.0 + 5.0 * ((number * 7) % 20) / 19
        hold = hold_of(celsius) + noise * (1 if number % 2 else -1)
        for one in charge(falling(0.9, floor=1.2), 3.5):
            volts = one.volts / CELLS
            shown = hold if abs(volts - HOLD) < 1e-9 else min(volts, hold - 0.02)
            frames.append(make_frame(BANK, len(frames), one.amps, shown * CELLS, celsius=celsius))
    return [one for one in run(frames)[2] if one.name == "full_charge.compensation"]


@pytest.mark.parametrize(
    ("slope", "noise", "verdict"),
    [(0.0, 0.0, "none"), (-0.005, 0.0, "as_preset"), (0.0, 0.004, "cannot_tell"), (-0.005, 0.004, "cannot_tell")],
)
def test_compensation_over_a_small_range_where_the_voltage_is_steady(slope: float, noise: float, verdict: str) -> None:
    assert many_charges(lambda celsius: HOLD + slope * (celsius - 25.0), noise)[-1].verdict == verdict


def test_current_that_rises_again_as_in_a_runaway_is_no_proof() -> None:
    """The current falls to 2.2 %, fast enough to be near a proof, and then grows to a tenth of the rated amp-hours."""

    def tail(hours: float) -> tuple[float, float]:
        return (20.0 * exp(-0.9 * hours) if hours < 1.7 else min(4.3 * exp(2.0 * (hours - 1.7)), 20.0)), HOLD

    told, pipeline, _ = run(charge(tail, 5.0))
    assert not proven(pipeline)
    assert told.verdict != "full_proven"
