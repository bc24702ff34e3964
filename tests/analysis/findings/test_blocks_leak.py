"""A deficit that builds up day after day is a leak; one that was there at once, or stays, or mends, is not."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from frame_tools import limits_of

from loggerd.analysis.findings.blocks_cause import Ruler
from loggerd.analysis.findings.blocks_features import Compared
from loggerd.analysis.findings.blocks_leak import leak_of

DAY_MS = 86_400_000
RULER = Ruler(limits_of(), (range(4),), 3, (0.002,) * 4)
VOLTS = RULER.volts_of_charge


def records(shares: Sequence[float], charged: float = -0.2, days: float = 1.0, constant: float = 0.0) -> list[Compared]:
    """Discharges at which block 1 (from 0) is behind by these shares of its charge."""
    found = []
    for number, share in enumerate(shares):
        still = [0.0, constant - share * VOLTS, 0.0, 0.0]
        nothing = [None] * 4
        end_ms = int(number * days * DAY_MS)
        low = [0.0, charged if share > 0.0 else 0.0, 0.0, 0.0]
        rows = (low, nothing, still, nothing, nothing, nothing, nothing, nothing)
        found.append(Compared(end_ms - 3_600_000, end_ms, 0.3, True, None, None, 2.4, None, None, *map(list, rows)))
    return found


LEVEL = [0.0] * 4
CREEPING = [*LEVEL, 0.04, 0.08, 0.12, 0.16, 0.2]


def test_a_deficit_that_grows_from_level_is_a_leak_of_that_rate() -> None:
    leak = leak_of(records(CREEPING), 1, RULER)
    assert leak is not None
    assert leak.per_day == pytest.approx(0.04, abs=0.001)
    assert leak.deficit == pytest.approx(0.2, abs=0.001)
    assert leak_of(records(CREEPING), 0, RULER) is None


def test_a_tap_that_reads_a_little_wrong_changes_nothing() -> None:
    right, wrong = leak_of(records(CREEPING), 1, RULER), leak_of(records(CREEPING, constant=-0.004), 1, RULER)
    assert right is not None and wrong is not None and wrong.per_day == pytest.approx(right.per_day)


@pytest.mark.parametrize(
    "shares",
    [
        [*LEVEL, 0.30, 0.31, 0.32, 0.33, 0.34, 0.35],
        [*LEVEL, 0.25, 0.22, 0.18, 0.15, 0.12],
        [*LEVEL, 0.20, 0.23, 0.26, 0.29, 0.32, 0.35],
        [0.25, 0.28, 0.31, 0.34, 0.37, 0.40, 0.43],
        [*LEVEL, 0.01, 0.02, 0.03, 0.04, 0.05],
    ],
    ids=["at once and stays", "at once and mends", "mostly at once", "never seen level", "too little"],
)
def test_other_courses_are_no_leak(shares: list[float]) -> None:
    assert leak_of(records(shares), 1, RULER) is None


def test_a_slow_fall_over_many_days_stays_below_the_limit() -> None:
    assert leak_of(records(CREEPING, days=4.0), 1, RULER) is None


def test_a_block_that_is_level_at_the_end_of_a_charge_has_none() -> None:
    assert leak_of(records(CREEPING, charged=0.0), 1, RULER) is None


def test_beyond_the_straight_part_of_the_curve_nothing_is_added() -> None:
    flat = records([*CREEPING, 1.5, 9.0, 20.0])
    assert leak_of(flat, 1, RULER) == leak_of(records(CREEPING), 1, RULER)
