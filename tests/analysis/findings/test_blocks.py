"""Causes of a block that does not go along with its peers, on a toy bank; healthy banks; restarts; missing taps."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from block_bank import FullAndRest, ToyBank
from fold_tools import bank
from frame_tools import Pipeline, ground_of, limits_of, restarts_change_nothing, shifted_frame

from loggerd.analysis.findings.blocks import SPECS, Blocks
from loggerd.analysis.findings.blocks_cause import Judge, Ruler, word_of
from loggerd.analysis.findings.blocks_features import Compared, ohms_apart
from loggerd.analysis.findings.catalogue import Ground, Moment, Topic
from loggerd.analysis.findings.events import BlocksCompared, DoubtEnded, SensorDoubt
from loggerd.analysis.findings.swings import Swings
from loggerd.analysis.frames import Frame, Step
from loggerd.model.bank import Accuracy, Bank
from loggerd.model.finding import Finding

TOOK = Accuracy(0.001, 0.002, 0.001, 0.001)


def ground(of: Bank) -> Ground:
    return ground_of(of, {f"block_{number + 1}_volts": TOOK for number in range(of.blocks)})


def topics(toy: ToyBank) -> list[Callable[[Ground], Topic]]:
    return [partial(FullAndRest, full=toy.full), Swings, Blocks]


def judged(toy: ToyBank) -> list[Finding]:
    return Pipeline(ground(toy.bank), limits_of(), *topics(toy)).run(toy.frames)


def wrong(found: Sequence[Finding]) -> list[Finding]:
    """Findings that a keeper would hear of."""
    specs = {spec.name: spec for spec in SPECS}
    return [one for one in found if specs[one.name].verdict(one.verdict).weight > 0]


def causes(found: Sequence[Finding], block: int) -> list[str]:
    return [one.verdict for one in found if one.name == "blocks.cause" and one.subject == f"block {block}"]


def newest_cause(found: Sequence[Finding], block: int) -> str:
    return causes(found, block)[-1]


def bank_of_days(fault: Callable[[ToyBank], None], days: int = 12, depth: float = 0.6, blocks: int = 8) -> ToyBank:
    toy = ToyBank.healthy(bank(blocks=blocks, cells=3), 5, 0.01, 0.02)
    fault(toy)
    for _ in range(days):
        toy.day(depth)
    return toy


def weak(toy: ToyBank) -> None:
    toy.capacity[2] *= 0.85


def behind(toy: ToyBank) -> None:
    toy.behind[2] += 0.15


def joint(toy: ToyBank) -> None:
    toy.joints[2] = 0.8 * toy.ohms[2] * toy.bank.cells_per_block


def tap(toy: ToyBank) -> None:
    toy.offset[2] -= 0.25
    toy.offset[3] += 0.25


def with_steps_of_a_charger(toy: ToyBank, ohms: float) -> list[Frame]:
    """In the frames of the charge, jumps that show these volts per ampere, and a third more at block 3."""
    found = []
    for frame in toy.frames:
        taken = frame.steps
        if frame.amps > 0.02 * toy.bank.rated_amp_hours:
            jump, volts = 0.1 * toy.bank.rated_amp_hours, np.full(len(frame.layout.names), np.nan)
            shares = np.where(np.arange(toy.bank.blocks) == 2, 0.6, 1.0)
            volts[frame.layout.block_volts] = ohms * shares * jump
            taken = tuple(Step.of(frame.start_ms + one * 60_000, "meter", jump, volts, 60.0) for one in range(1, 4))
        found.append(replace(frame, steps=taken))
    return found


def leaking(toy: ToyBank) -> None:
    """It is made good on each charge, and falls at rest."""
    toy.leak[2] = 0.1


@pytest.mark.parametrize(
    ("fault", "cause"),
    [
        (weak, "low_capacity"),
        (behind, "out_of_balance"),
        (joint, "high_resistance_link"),
        (tap, "bad_tap"),
    ],
)
def test_the_matrix_names_the_cause_and_no_other_block(fault: Callable[[ToyBank], None], cause: str) -> None:
    found = judged(bank_of_days(fault))
    assert newest_cause(found, 3) == cause
    assert set(causes(found, 3)) <= {cause, "fine"}
    accused = {one.subject for one in wrong(found) if one.name != "blocks.spread"}
    assert accused <= {"block 3", "bank"}


def test_jumps_of_a_charger_that_holds_its_voltage_are_no_resistance() -> None:
    """The voltage falls as its current rises: what is less below nothing is not a block with more."""
    toy = bank_of_days(lambda _: None)
    toy.frames = with_steps_of_a_charger(toy, -0.004)
    assert wrong(judged(toy)) == []
    toy = bank_of_days(joint)
    toy.frames = with_steps_of_a_charger(toy, 0.015)
    assert newest_cause(judged(toy), 3) == "high_resistance_link"


def record_of(ohms: list[float], bulk: float = 0.02) -> Compared:
    """A discharge in which block 1 is low under load by 0.02 V, and apart from its peers by `bulk` on charge."""
    nothing: list[float | None] = [0.0] * len(ohms)
    first: list[float | None] = [-0.02, *nothing[1:]]
    charged: list[float | None] = [bulk, *nothing[1:]]
    return Compared(
        0, 1, 0.5, True, -40.0, -40.0, 2.4, 0.2, 0.0, nothing, charged, nothing, first, first, [*ohms], nothing, nothing
    )


@pytest.mark.parametrize(
    ("ohms", "bulk", "word"),
    [
        ([1.5e-3, 1.0e-3, 0.98e-3, 1.02e-3, 1.0e-3], 0.02, "high_resistance_link"),
        ([1.2e-3, 1.0e-3, 0.98e-3, 1.02e-3, 1.0e-3], 0.02, "fine"),
        ([1.5e-3, 1.0e-3, 0.7e-3, 1.35e-3, 1.15e-3], 0.02, "fine"),
        ([-0.5e-3, -1.0e-3, -0.98e-3, -1.02e-3, -1.0e-3], 0.02, "fine"),
        ([0.2e-3, -1.0e-3, -0.98e-3, -1.02e-3, -1.0e-3], 0.02, "fine"),
        ([1.5e-3, 1.0e-3, 0.98e-3, 1.02e-3, 1.0e-3], -0.02, "fine"),
    ],
)
def test_a_joint_has_more_ohms_by_size_and_beyond_the_scatter_and_is_not_low_on_charge(
    ohms: list[float], bulk: float, word: str
) -> None:
    record, groups = record_of(ohms, bulk), (range(5),)
    ruler = Ruler(limits_of(), groups, 3, (0.006,) * 5)
    assert word_of(record, 0, ruler, ohms_apart(record.ohms, groups)) == word


def test_a_block_that_loses_charge_at_rest() -> None:
    toy = ToyBank.healthy(bank(blocks=8, cells=3), 5, 0.01, 0.02)
    toy.leak[2] = 0.1
    for _ in range(8):
        toy.day(0.4, rest=14.0)
        toy.behind[2] = toy.behind.mean()
    assert newest_cause(judged(toy), 3) == "self_discharge"


def test_three_discharges_must_agree_before_a_block_is_named() -> None:
    toy = bank_of_days(weak, days=2)
    toy.run(-20.0, 6.0)
    assert causes(judged(toy), 3) == []
    assert causes(judged(bank_of_days(weak, days=3)), 3) == ["low_capacity"]


def test_it_is_fine_again_after_the_block_was_replaced() -> None:
    toy = bank_of_days(weak, days=8)
    toy.capacity[2] = 1.05
    for _ in range(8):
        toy.day(0.6)
    assert causes(judged(toy), 3) == ["low_capacity", "fine"]


def test_a_healthy_bank_is_told_fine_once_and_compared_each_time() -> None:
    toy = bank_of_days(lambda _: None)
    pipeline = Pipeline(ground(toy.bank), limits_of(), *topics(toy))
    found = pipeline.run(toy.frames)
    assert wrong(found) == []
    assert [causes(found, number + 1) for number in range(8)] == [["fine"]] * 8
    compared = [one for one in pipeline.events if isinstance(one, BlocksCompared)]
    assert len(compared) == 12
    assert all(abs(one.depth - 0.6) < 0.02 for one in compared)


def test_shallow_discharges_say_nothing_of_capacity() -> None:
    found = judged(bank_of_days(weak, depth=0.18, days=15))
    assert "low_capacity" not in causes(found, 3)
    assert [one.verdict for one in found if one.name == "blocks.weakest"] == ["cannot_tell"]


def test_a_constant_of_every_tap_leaves_growth_as_it_is() -> None:
    plain, shifted = bank_of_days(weak, days=6), bank_of_days(weak, days=6)
    shifted.frames = [shifted_frame(frame, frame.layout.block_volts, 0.05) for frame in shifted.frames]
    values = [[one.value for one in judged(toy) if one.name == "blocks.cause"] for toy in (plain, shifted)]
    assert values[0] == values[1]


def test_small_strings_are_judged_against_their_own_history() -> None:
    toy = ToyBank.healthy(bank(blocks=4, cells=6), 7, 0.02, 0.03)
    for _ in range(12):
        toy.day(0.6)
    assert causes(judged(toy), 2) == ["fine"]
    toy.capacity[1] *= 0.89
    for _ in range(8):
        toy.day(0.6)
    told = [one for one in judged(toy) if one.subject == "block 2" and one.name == "blocks.cause"]
    assert told[-1].verdict == "low_capacity"
    assert "its own history" in told[-1].reason


def test_a_block_that_is_weak_from_the_first_day_among_four() -> None:
    toy = ToyBank.healthy(bank(blocks=4, cells=6), 8, 0.02, 0.03)
    toy.capacity[0] *= 0.8
    for _ in range(6):
        toy.day(0.6)
    told = [one for one in judged(toy) if one.subject == "block 1" and one.name == "blocks.cause"]
    assert told[-1].verdict == "low_capacity"
    assert "its size" in told[-1].reason


@pytest.mark.parametrize(
    ("losses", "before", "word"),
    [
        ([0.06] * 5, "fine", "fine"),
        ([0.12] * 5, "fine", "low_capacity"),
        ([0.06] * 5, "low_capacity", "low_capacity"),
        ([0.02] * 5, "low_capacity", "fine"),
    ],
)
def test_a_small_block_that_was_told_stands_until_half_of_it_is_gone(
    losses: list[float], before: str, word: str
) -> None:
    """Plates do not grow back: about the limit, what is told must not come and go with the depth of the discharges."""
    record, groups = record_of([1e-3] * 12), (range(12),)
    level: list[float | None] = [0.0] * 12
    told = [
        replace(
            record,
            early=level,
            bulk=level,
            end=level,
            capacity=[-one, *(0.004 * (block % 3 - 1) for block in range(11))],
            growth=level,
        )
        for one in losses
    ]
    judge = Judge(told, [[] for _ in range(12)], Ruler(limits_of(), groups, 6, (0.006,) * 12))
    assert judge.standing(0, before).word == word


def falling_off(toy: ToyBank) -> Callable[[np.ndarray, float], np.ndarray]:
    """Readings of cells that fall to nothing within a few hundredths once they are empty."""

    def change(volts: np.ndarray, amps: float) -> np.ndarray:
        left = 1.0 - toy.behind / toy.capacity
        return volts + toy.bank.cells_per_block * np.clip(50.0 * left, -2.0, 0.0)

    return change


@pytest.mark.parametrize(("share", "depths", "word"), [(0.97, (0.6, 1.06), "fine"), (0.8, (0.6, 0.7), "low_capacity")])
def test_a_bank_that_is_drawn_flat_tells_nothing_of_the_size_of_its_blocks(
    share: float, depths: Sequence[float], word: str
) -> None:
    """Beyond the knee the first block falls off by any amount: 3 % less are no small block. One that is small shows it
    where its peers still stand."""
    toy = ToyBank.healthy(bank(blocks=8, cells=3), 5, 0.004, 0.02)
    toy.capacity[2] *= share
    toy.change = falling_off(toy)
    for _ in range(8):
        for depth in depths:
            toy.day(depth)
    assert newest_cause(judged(toy), 3) == word


def test_a_block_that_lagged_is_watched_for_three_months() -> None:
    toy = ToyBank.healthy(bank(blocks=8, cells=3), 5, 0.01, 0.02)
    for _ in range(6):
        toy.day(0.6)
    behind(toy)
    for _ in range(8):
        toy.day(0.6)
    lagged = len(toy.frames)
    toy.behind[2] -= 0.15
    for _ in range(10):
        toy.day(0.6)
    told = causes(judged(toy), 3)
    assert told == ["fine", "out_of_balance", "level_again"]
    # The bank is left alone for three months: it ends by itself.
    toy.position += 91 * 288
    toy.run(0.0, 1.0)
    assert causes(judged(toy), 3) == [*told, "fine"]
    restarts_change_nothing(ground(toy.bank), limits_of(), topics(toy), toy.frames[lagged - 600 : lagged + 1800])


@pytest.mark.parametrize(
    ("losses", "before", "word"),
    [
        ([0.15, 0.17, 0.16, 0.18, 0.15], "fine", "low_capacity"),
        ([0.15, 0.9, 0.2, 1.8, 0.4], "fine", "fine"),
        ([0.12, 0.6, 0.2, 0.9, 0.3], "fine", "fine"),
        ([0.12, 0.6, 0.2, 0.9, 0.3], "low_capacity", "low_capacity"),
        ([0.15, 0.9, 0.2, 1.8, 0.4], "low_capacity", "low_capacity"),
        ([0.035, 0.6, 0.032, 0.9, 0.04], "low_capacity", "fine"),
    ],
)
def test_a_loss_that_scatters_by_more_than_itself_accuses_nobody(losses: list[float], before: str, word: str) -> None:
    """The first block of a bank that is drawn empty falls off by any amount: no measure, neither for a loss nor
    against one that is told, since plates do not grow back. Most discharges that show none are."""
    record, groups = record_of([1e-3] * 4), (range(4),)
    level: list[float | None] = [0.0] * 4
    told = [
        replace(record, early=level, bulk=level, end=level, capacity=[-one, 0.0, 0.0, 0.0], growth=level)
        for one in losses
    ]
    judge = Judge(told, [[] for _ in range(4)], Ruler(limits_of(), groups, 6, (0.006,) * 4))
    assert judge.standing(0, before).word == word


def test_a_missing_tap_does_no_harm() -> None:
    toy = bank_of_days(weak)
    toy.frames = [shifted_frame(frame, frame.layout.block_volts.start + 5, np.nan) for frame in toy.frames]
    found = judged(toy)
    assert newest_cause(found, 3) == "low_capacity"
    assert causes(found, 6) == []


def test_without_any_tap_it_says_so_once() -> None:
    of = bank(blocks=4)
    toy = ToyBank.healthy(of, 1)
    toy.day(0.5)
    blind = Ground(of, ground_of(of).layout, {}, frozenset({"amps", "volts"}))
    found = Pipeline(blind, limits_of(), *topics(toy)).run(toy.frames)
    assert [(one.name, one.verdict) for one in found] == [("blocks.weakest", "cannot_tell")]
    assert "taps are missing" in found[0].reason


class _Doubter:
    """Doubts one channel from the first frame, and no longer after `until` frames."""

    def __init__(self, ground: Ground, channel: str, until: int) -> None:
        del ground
        self._channel, self._until, self._frames = channel, until, 0

    def push(self, moment: Moment) -> list[Finding]:
        if self._frames == 0:
            moment.events.append(SensorDoubt(moment.frame.end_ms, self._channel, "meter.taps swapped", 0))
        if self._frames == self._until:
            moment.events.append(DoubtEnded(moment.frame.end_ms, self._channel, "meter.taps"))
        self._frames += 1
        return []

    def to_plain(self) -> dict[str, object]:
        return {}

    def load_plain(self, plain: dict[str, object]) -> None:
        del plain


def test_a_block_with_a_doubted_tap_is_not_accused_until_the_doubt_ends() -> None:
    toy = bank_of_days(weak, days=8)
    doubted = partial(_Doubter, channel="block_3_volts", until=10**6)
    found = Pipeline(ground(toy.bank), limits_of(), doubted, *topics(toy)).run(toy.frames)
    assert causes(found, 3) == []
    assert wrong(found) == []
    passing = partial(_Doubter, channel="block_3_volts", until=1)
    found = Pipeline(ground(toy.bank), limits_of(), passing, *topics(toy)).run(toy.frames)
    assert newest_cause(found, 3) == "low_capacity"


@pytest.mark.parametrize("fault", [weak, behind, tap])
def test_restarts_change_nothing(fault: Callable[[ToyBank], None]) -> None:
    toy = bank_of_days(fault, days=5)
    assert restarts_change_nothing(ground(toy.bank), limits_of(), topics(toy), toy.frames)


def test_the_state_stays_small() -> None:
    toy = bank_of_days(weak, days=40)
    pipeline = Pipeline(ground(toy.bank), limits_of(), *topics(toy))
    half = len(toy.frames) * 3 // 4
    pipeline.run(toy.frames[:half])
    before = len(str(pipeline.topics[-1].to_plain()))
    pipeline.run(toy.frames[half:])
    assert len(str(pipeline.topics[-1].to_plain())) < 1.2 * before


@pytest.mark.parametrize(("banks", "days"), [(6, 25), pytest.param(60, 60, marks=pytest.mark.long)])
def test_of_many_healthy_banks_hardly_one_is_accused(banks: int, days: int) -> None:
    """Spread of capacity 1 to 2.5 %, of resistance 4 %, start of charge 1 %: the long one is 9.9 bank-years of
    discharges every day. Designed for less than one in 10 bank-years."""
    accused = []
    for seed in range(banks):
        rng = np.random.default_rng([seed, 1])
        of = bank(blocks=int(rng.choice([4, 6, 8, 12])), cells=int(rng.choice([2, 3, 6])))
        toy = ToyBank.healthy(of, seed, rng.uniform(0.01, 0.025), 0.04, 0.003)
        toy.noise_volts = 0.003 / np.sqrt(5)
        for _ in range(days):
            toy.day(float(rng.uniform(0.25, 0.75)), float(rng.uniform(0.06, 0.2)), rest=2.0, scatter=0.01)
        accused += [(seed, one.subject, one.verdict, one.reason) for one in wrong(judged(toy))]
    assert len({seed for seed, *_ in accused}) <= banks * days / 3650, accused


def test_a_block_of_many_that_holds_12_per_cent_less_is_found_within_ten_discharges() -> None:
    found = []
    for seed in range(6):
        toy = ToyBank.healthy(bank(blocks=8, cells=3), seed, 0.015, 0.04)
        toy.capacity[3] = 1.05 * 0.88
        for _ in range(11):
            toy.day(0.65)
        found.append(causes(judged(toy), 4)[-1] == "low_capacity")
    assert sum(found) >= 5
