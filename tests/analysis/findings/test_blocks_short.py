"""Shorts, breaks and reversals on a toy bank, told at once; deep discharges of a weak block are none of them."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
import pytest
from block_bank import FullAndRest, ToyBank
from fold_tools import bank
from frame_tools import Pipeline, ground_of, limits_of, restarts_change_nothing, shifted_frame

from loggerd.analysis.findings.blocks import Blocks
from loggerd.analysis.findings.blocks_short import cells_missing
from loggerd.analysis.findings.catalogue import Ground, Topic
from loggerd.analysis.findings.swings import Swings
from loggerd.model.finding import Finding


def topics(toy: ToyBank) -> list[Callable[[Ground], Topic]]:
    return [partial(FullAndRest, full=toy.full), Swings, Blocks]


def judged(toy: ToyBank) -> list[Finding]:
    return Pipeline(ground_of(toy.bank), limits_of(), *topics(toy)).run(toy.frames)


def told(found: list[Finding], name: str) -> list[tuple[str, str]]:
    return [(one.subject, one.verdict) for one in found if one.name == name]


def healthy(seed: int = 3, blocks: int = 4, cells: int = 6) -> ToyBank:
    return ToyBank.healthy(bank(blocks=blocks, cells=cells), seed, 0.01, 0.02)


@pytest.mark.parametrize(("blocks", "cells"), [(4, 6), (8, 3), (12, 1)])
def test_a_shorted_cell_is_told_within_three_rests(blocks: int, cells: int) -> None:
    toy = healthy(blocks=blocks, cells=cells)
    toy.day(0.4)
    toy.missing[1] = 1
    begin = toy.frames[-1].end_ms
    for _ in range(3):
        toy.day(0.4)
    found = judged(toy)
    assert told(found, "blocks.short") == [("block 2", "looks_shorted"), ("block 2", "shorted_cell")]
    named = next(one for one in found if one.name == "blocks.short" and one.verdict == "shorted_cell")
    assert named.value is not None and -2.3 < named.value < -1.9
    assert named.since is not None and named.since.at_ms >= begin
    assert ("block 2", "shorted_cell") in told(found, "blocks.cause")
    assert {one.subject for one in found if one.name == "blocks.cause" and one.verdict != "fine"} == {"block 2"}


def test_a_replaced_block_is_told_to_stand_again() -> None:
    toy = healthy()
    toy.missing[1] = 1
    for _ in range(3):
        toy.day(0.4)
    toy.missing[1] = 0
    toy.day(0.4, rest=8.0)
    found = judged(toy)
    assert told(found, "blocks.short")[-1] == ("block 2", "gone")
    assert told([one for one in found if one.subject == "block 2"], "blocks.cause")[-1] == ("block 2", "fine")


def test_a_tap_that_reads_low_while_the_bank_does_not_is_no_short() -> None:
    toy = healthy()
    toy.offset[1] = -2.0
    for _ in range(4):
        toy.day(0.4)
    assert told(judged(toy), "blocks.short") == []


def test_the_step_must_stay() -> None:
    """Down for five minutes of a rest, once: shorter than the limit of ten minutes."""
    toy = healthy()
    toy.day(0.4)
    frame = shifted_frame(toy.frames[-12], toy.frames[-12].layout.block_volts.start, -2.1)
    toy.frames[-12] = shifted_frame(frame, 1, -2.1)
    toy.day(0.4)
    assert told(judged(toy), "blocks.short") == []


def weeks_of_deep_use(seed: int) -> ToyBank:
    """A week with a block that holds 20 % less, discharged until it dips far below its peers under load."""
    toy = healthy(seed)
    toy.capacity[seed % 4] *= 0.8
    rng = np.random.default_rng(seed)
    for _ in range(7):
        toy.day(float(rng.uniform(0.7, 0.83)), float(rng.uniform(0.1, 0.25)), rest=float(rng.uniform(1, 8)))
    return toy


@pytest.mark.parametrize(("more", "word"), [(0.0, "shorted_cell"), (0.2, "shorted_cell"), (2.4, "")])
def test_a_block_that_lacks_far_more_on_charge_is_empty_and_not_short(more: float, word: str) -> None:
    """At rest it lacks what one cell has. A short takes little more than that on charge; an empty block takes its
    charge at the volts of an empty one."""
    toy = healthy()
    toy.missing[1] = 1
    toy.change = lambda volts, amps: volts - np.array([0.0, more, 0.0, 0.0]) * (amps > 0.0)
    for _ in range(5):
        toy.day(0.4)
    assert (told(judged(toy), "blocks.short") or [("", "")])[-1][1] == word


@pytest.mark.parametrize("weeks", [6, pytest.param(200, marks=pytest.mark.long)])
def test_deep_discharges_of_a_weak_block_are_no_short(weeks: int) -> None:
    dips, names = [], []
    for seed in range(weeks):
        toy = weeks_of_deep_use(seed)
        rows = np.array([frame.block_volts for frame in toy.frames])
        dips.append(float((rows - np.median(rows, axis=1)[:, None]).min()))
        names += told(judged(toy), "blocks.short")
    assert names == []
    assert min(dips) < -1.35  # Otherwise the test shows nothing.


def test_a_block_that_gives_way_under_load_and_stands_again() -> None:
    toy = healthy()
    toy.day(0.3)

    def gives_way(volts: np.ndarray, amps: float) -> np.ndarray:
        return volts - np.array([0.0, 0.0, 14.0, 0.0]) if amps < 0.0 and toy.position % 6 == 0 else volts

    toy.change = gives_way
    toy.day(0.25)
    found = judged(toy)
    assert told(found, "blocks.open") == [("block 3", "breaks_under_load")]
    assert ("block 3", "open") in told(found, "blocks.cause")
    assert told(found, "blocks.reversal") == []


def test_a_tap_that_jumps_by_itself_is_no_block_that_breaks() -> None:
    """A loose wire or a spike: the bank's own voltage stays where it is."""
    toy = healthy()
    toy.day(0.3)
    for number in range(48):
        toy.offset[2] = -14.0 if number % 6 == 0 else 0.0
        toy.run(-10.0, 1 / 12)
    found = judged(toy)
    assert told(found, "blocks.open") == []
    assert ("block 3", "open") not in told(found, "blocks.cause")


@pytest.mark.parametrize("bank_off", [0.0, 4.0])
def test_a_block_that_is_driven_the_wrong_way_at_the_end_of_a_discharge(bank_off: float) -> None:
    toy = healthy()
    toy.capacity[2] *= 0.7
    toy.day(0.4)
    toy.run(-20.0, 8.0)
    toy.frames = [shifted_frame(frame, 1, bank_off) for frame in toy.frames]
    found = judged(toy)
    assert told(found, "blocks.reversal") == [("block 3", "reversed")]
    assert told(found, "blocks.open") == []
    assert told(found, "blocks.short") == []


@pytest.mark.parametrize(("drawn", "verdicts"), [(0.5, ["breaks_under_load"]), (0.8, [])])
def test_the_weakest_block_of_a_nearly_flat_bank_falls_at_once_without_being_broken(
    drawn: float, verdicts: list[str]
) -> None:
    """Level with its peers, then far down when a load comes, and back: a break at half charge, none near flat."""
    toy = healthy()
    toy.day(0.4)
    toy.run(-2.0, drawn * toy.bank.rated_amp_hours / 2.0)

    def falls(volts: np.ndarray, amps: float) -> np.ndarray:
        return volts - np.array([0.0, 0.0, 8.0, 0.0]) if amps < -5.0 and toy.position % 3 == 0 else volts

    toy.change = falls
    for _ in range(5):
        toy.run(-6.0, 0.5)
        toy.run(-2.0, 0.5)
    assert [word for _, word in told(judged(toy), "blocks.open")] == verdicts


def test_what_was_told_at_once_survives_restarts() -> None:
    toy = healthy()
    toy.day(0.4)
    toy.missing[1] = 1
    toy.day(0.4)
    toy.day(0.4)
    assert restarts_change_nothing(ground_of(toy.bank), limits_of(), topics(toy), toy.frames)


@pytest.mark.parametrize(("volts", "cells"), [(10.75, 6), (11.5, 6), (6.9, 4), (4.8, 3)])
def test_between_the_bands_it_cannot_be_told(volts: float, cells: int) -> None:
    assert cells_missing(volts, cells, after_full=True) is None
