"""Findings of a whole bank: neither pieces nor restarts change one, to the last bit."""

from __future__ import annotations

import json
from itertools import pairwise

import numpy as np
from fold_tools import bank as small_bank
from frame_tools import START_MS, bank_plan
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from loggerd.analysis.axis import SessionAxis
from loggerd.analysis.fold import BankFold
from loggerd.analysis.plan import BankPlan
from loggerd.model.channels import MISSING
from loggerd.model.finding import Finding
from loggerd.model.scan import ScanBlock

BANK = small_bank(200.0, blocks=4, cells=6)
CHANNELS = (
    "amps",
    "volts",
    *(f"block_{number}_volts" for number in range(1, 5)),
    *(f"block_{number}_celsius" for number in range(1, 5)),
    "ambient_celsius",
)
AXIS = SessionAxis(1, 0, interval_ms={"meter": 60_000})
DAYS = 16
MINUTES = DAYS * 1440


def stream(seed: int) -> ScanBlock:
    """Invented days of use with rests, a full charge each night, and, by chance, a weak or a shorted block."""
    rng = np.random.default_rng(seed)
    minute = np.arange(MINUTES) % 1440
    depth = rng.uniform(0.3, 0.8, DAYS).repeat(1440)
    amps = np.where((minute > 480) & (minute < 900), -depth * 200 / 7, 0.0)
    amps += np.where((minute > 480) & (minute < 900) & (minute % 12 < 6), -9.0, 0.0)
    hours = np.clip(minute - 960, 0, None) / 60
    amps = np.where(minute >= 960, np.minimum(28.0, 28.0 * np.exp(-(hours - 4.5) / 1.1)) + 0.8, amps)
    state = 1.0 + np.clip(np.cumsum(amps) / 60 / 200 - np.cumsum(amps).max() / 60 / 200, -0.95, 0.0)
    volts = 24 * (1.97 + 0.14 * state) + amps * 0.022
    volts = np.where(minute >= 960, np.minimum(volts + 2.0, 58.6), volts)
    blocks = np.repeat(volts[None, :] / 4, 4, axis=0) + rng.normal(0, 0.004, (4, MINUTES))
    ill = int(rng.integers(0, 6))
    if ill < 4:
        blocks[ill] -= np.where(np.arange(MINUTES) > 6 * 1440, rng.choice([0.4, 2.05]), 0.0)
    celsius = 20 + 4 * np.sin(np.arange(MINUTES) / 1440 * 2 * np.pi) + rng.normal(0, 0.1, (4, MINUTES))
    columns = [amps + rng.normal(0, 0.03, MINUTES), volts, *blocks, *celsius, celsius[0] - 3]
    counts = [np.rint(column * 1000).astype(np.int64) for column in columns]
    for column in counts:
        column[rng.random(MINUTES) < 0.002] = MISSING
    kept = np.flatnonzero(rng.random(MINUTES) > 0.003)
    at = START_MS + 60_000 * kept
    zeros = np.zeros(len(at), dtype=np.int64)
    return ScanBlock("meter", 1, tuple(range(len(counts))), at, zeros, zeros, tuple(one[kept] for one in counts))


def straight(plan: BankPlan, whole: ScanBlock) -> list[Finding]:
    fold = BankFold(plan)
    return [*fold.push(AXIS, [whole]).findings, *fold.view().findings]


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(0, 2**32), st.lists(st.integers(1, MINUTES), max_size=25), st.booleans())
def test_neither_pieces_nor_restarts_change_a_finding(seed: int, cuts: list[int], restart: bool) -> None:
    plan, whole = bank_plan(BANK, CHANNELS), stream(seed)
    expected = straight(plan, whole)
    assert expected, "a stream of which nothing is found shows nothing"

    fold, found = BankFold(plan), []
    bounds = [0, *sorted(set(cuts)), len(whole)]
    for begin, end in pairwise(bounds):
        found.extend(fold.push(AXIS, [whole.slice(begin, end)]).findings)
        if restart:
            state = json.loads(fold.dump())
            fold = BankFold(plan)
            fold.load(json.dumps(state, allow_nan=False).encode())
    found.extend(fold.view().findings)

    assert found == expected


def test_the_state_does_not_grow_with_the_age_of_the_record() -> None:
    plan, fold = bank_plan(BANK, CHANNELS), None
    sizes = []
    fold = BankFold(plan)
    for turn in range(10):
        whole = stream(7)
        shift = turn * MINUTES * 60_000
        fold.push(AXIS, [ScanBlock("meter", 1, whole.series, whole.mono_ms + shift, whole.wall_minus_mono_ms,
                                   whole.clock, whole.counts)])  # fmt: skip
        sizes.append(len(fold.dump()))

    assert sizes[-1] < 1.25 * sizes[5]
    assert sizes[-1] < 120_000
