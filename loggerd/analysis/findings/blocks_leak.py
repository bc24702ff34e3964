"""A block that falls behind day after day, although the bank is charged: it leaks faster than charging makes good.

A block that only lost charge once has its deficit from one discharge to the next, and keeps it or mends; a leak builds
it up, charge after charge, from level. Own method from the balance of a string: all its blocks get the same amp-hours,
so that what one lacks it has lost by itself. The deficit is read from the volts without current.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from loggerd.analysis.findings.blocks_cause import Ruler
from loggerd.analysis.findings.blocks_features import Compared
from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.frames import DAY_MS

_LEVEL_SHARE = 0.03
"""Share of its charge that a block may lie below its best and be level: half of what counts as behind, by the presets,
and some times what rested deviations scatter by (1 mV per cell)."""
_LEAST_STEPS = 4
_STEPS = 8
_CLEARLY = 2.0
"""So many times what counts as behind must have been lost: one step and a rounding of the level are not a course."""
_MADE_GOOD = 2.0
"""So many times the fall a day that a rest may show: daily charges put in some per cent more than went out, which
brings a block with a small leak level again and again; what it lost once is then what has to be mended."""
_AT_ONCE = 0.5
"""A step that made up more of the deficit than this: the charge was lost at once."""


@dataclass(frozen=True)
class Leak:
    """`per_day`: share of its charge that the block falls behind each day; over `days`; from level to `deficit`."""

    per_day: float
    days: float
    deficit: float


def leak_of(records: Sequence[Compared], block: int, ruler: Ruler) -> Leak | None:
    """What the latest discharges say; None where they show no leak."""
    course = _course(records, block, ruler)
    if len(course) <= _LEAST_STEPS:
        return None
    limits = ruler.limits
    deficit = course[0][1] - course[-1][1]
    if deficit < _CLEARLY * limits["block_lag_fraction"]:
        return None
    steps = [(before[1] - after[1], (after[0] - before[0]) / DAY_MS) for before, after in pairwise(course)]
    if max(fall for fall, _ in steps) > _AT_ONCE * deficit:
        return None
    # A day at the least: two discharges on one day have one night between them, or none.
    per_day = median([fall / max(days, 1.0) for fall, days in steps[-_STEPS:]])
    if per_day < _MADE_GOOD * limits["block_fall_per_day"]:
        return None
    return Leak(per_day, (course[-1][0] - course[0][0]) / DAY_MS, deficit)


def _course(records: Sequence[Compared], block: int, ruler: Ruler) -> list[tuple[int, float]]:
    """When, and the deviation without current as a share of the charge: from the last discharge at which the block was
    level with its own best and not behind, down to where it is no longer on the straight part of its curve. Empty if
    it never was level, or if its end of charge is in order."""
    volts = ruler.volts_of_charge
    known = [(one.end_ms, value / volts) for one in records if (value := one.still[block]) is not None]
    for place, (_, share) in enumerate(known):
        if share < -1.0:
            known = known[:place]
            break
    if len(known) <= _LEAST_STEPS or not _low_on_charge(records, block, ruler):
        return []
    # The second best, so that no single reading makes the level.
    best = sorted(share for _, share in known)[-2]
    if best < -ruler.limits["block_lag_fraction"]:
        return []
    last = max(place for place, (_, share) in enumerate(known) if share >= best - _LEVEL_SHARE)
    return known[last:]


def _low_on_charge(records: Sequence[Compared], block: int, ruler: Ruler) -> bool:
    """Whether the block lags at the end of the latest charge too: a smaller one among equal ones does not."""
    limit = ruler.limits["block_low_at_full_volts_per_cell"] + ruler.doubt[block]
    charged = [value for one in records if (value := one.end_of_charge[block]) is not None]
    return bool(charged) and -charged[-1] > limit
