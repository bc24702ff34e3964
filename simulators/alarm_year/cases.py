"""Which banks are looked at: healthy ones at each kind of site, and beside them banks with a seeded fault."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simulators.judging.cases import healthy_cases
from simulators.judging.chemistry import LAYOUTS, SITES
from simulators.judging.faults import CAUSES, days_needed, draw_fault, possible
from simulators.judging.stream import Case

BOUNDED: dict[str, tuple[tuple[int, ...], int]] = {
    "shorted_cell": ((2,), 8),
    "thermal_runaway": ((1, 2), 24),
    "dead_device": ((1, 2), 2),
    "chronic_undercharge": ((1, 2), 30),
    "out_of_balance": ((1, 2), 30),
    "noisy_channel": ((2,), 30),
}
"""Causes whose alarm has a bound: the severities that are seeded, and the days watched after the beginning."""
_HEALTHY_DAYS = (30, 45)
"""Days before a fault begins: from, to."""
_SEVERE = (1, 2)


@dataclass(frozen=True)
class Watch:
    """A case, and how many minutes are folded at a time once its fault has begun (hours before that)."""

    case: Case
    minutes: int = 60


HOURLY = 60
_FINE_MINUTES = {"thermal_runaway": 5, "dead_device": 1}
"""Where a bound is in minutes. The service folds and looks every few seconds."""


def healthy(entropy: int, sites: int, days: int) -> list[Watch]:
    """Well-kept banks, of each kind of site in turn. The same entropy gives the same banks."""
    drawn = healthy_cases(entropy, sites * len(LAYOUTS), days=days)
    order = [[case for case in drawn if LAYOUTS[case.layout].site == site] for site in SITES]
    return [Watch(order[number % len(SITES)][number // len(SITES)]) for number in range(sites)]


def faulty(entropy: int, causes: Sequence[str], sites: Sequence[str] = SITES) -> list[Watch]:
    """A bank with each of these faults at each kind of site where it can be.

    Raises ValueError for a cause that does not exist.
    """
    unknown = set(causes) - set(CAUSES)
    if unknown:
        raise ValueError(f"causes {', '.join(sorted(unknown))}; expected some of {', '.join(CAUSES)}")
    drawn = [_draw(entropy, cause, site) for cause in causes for site in sites]
    return [one for one in drawn if one is not None]


def _draw(entropy: int, cause: str, site: str) -> Watch | None:
    rng = np.random.default_rng([entropy, 40, CAUSES.index(cause), SITES.index(site)])
    names = [layout.name for layout in LAYOUTS.values() if layout.site == site and possible(cause, layout)]
    seed, begin, season = int(rng.integers(2**31)), int(rng.integers(*_HEALTHY_DAYS)), 30 * int(rng.integers(12))
    if not names:
        return None
    layout = names[int(rng.integers(len(names)))]
    severities, days = BOUNDED.get(cause, (_SEVERE, days_needed(cause)))
    severity = severities[int(rng.integers(len(severities)))]
    fault = draw_fault(cause, severity, layout, seed, begin)
    return Watch(Case(layout, seed, begin + days, season, fault), _FINE_MINUTES.get(cause, HOURLY))
