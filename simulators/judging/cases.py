"""Which banks are judged: every cause, severity and kind of site with several seeds, and healthy bank-years."""

from __future__ import annotations

import secrets
from collections import defaultdict
from collections.abc import Iterable, Sequence

import numpy as np

from simulators.judging.chemistry import LAYOUTS, SITES
from simulators.judging.faults import CAUSES, SEVERITIES, Fault, days_needed, draw_fault, possible
from simulators.judging.stream import Case

HEALTHY_DAYS = (60, 100)
"""Days before a fault begins: from, to."""
YEAR = 365
_YEAR_COUNTED = 366
"""Days of a healthy bank that is judged, so that fifty of them are not short of fifty years of 365.25 days."""


def fresh_entropy() -> int:
    """What the judging seeds are drawn from at run time; printed, so that a run can be repeated."""
    return secrets.randbits(63)


def draw_cases(
    entropy: int,
    seeds: int,
    causes: Sequence[str] = CAUSES,
    sites: Sequence[str] = SITES,
    severities: Iterable[int] = range(len(SEVERITIES)),
) -> list[Case]:
    """`seeds` cases of every cause, severity and site where that can be. The same entropy gives the same cases.

    Raises ValueError for a cause that does not exist.
    """
    unknown = set(causes) - set(CAUSES)
    if unknown:
        raise ValueError(f"causes {', '.join(sorted(unknown))}; expected some of {', '.join(CAUSES)}")
    wanted = set(severities)
    cases = []
    for cause in causes:
        for site in sites:
            for severity in range(len(SEVERITIES)):
                rng = np.random.default_rng([entropy, 30, CAUSES.index(cause), SITES.index(site), severity])
                drawn = [_draw_case(rng, cause, severity, site) for _ in range(seeds)]
                cases += [case for case in drawn if case is not None and severity in wanted]
    return cases


def _draw_case(rng: np.random.Generator, cause: str, severity: int, site: str) -> Case | None:
    seed, pick = int(rng.integers(2**31)), float(rng.uniform())
    begin, season = int(rng.integers(*HEALTHY_DAYS)), 30 * int(rng.integers(12))
    names = [layout.name for layout in LAYOUTS.values() if layout.site == site and possible(cause, layout)]
    if not names:
        return None
    layout = names[int(pick * len(names))]
    fault: Fault = draw_fault(cause, severity, layout, seed, begin)
    return Case(layout, seed, begin + days_needed(cause), season, fault)


def healthy_cases(entropy: int, bank_years: int, sites: Sequence[str] = SITES, days: int = _YEAR_COUNTED) -> list[Case]:
    """Well-kept banks, one for each bank-year, over all layouts of the sites in turn."""
    rng = np.random.default_rng([entropy, 31])
    names = [layout.name for layout in LAYOUTS.values() if layout.site in sites]
    return [
        Case(names[number % len(names)], int(rng.integers(2**31)), days, 30 * (number // len(names) % 12))
        for number in range(bank_years)
    ]


def batches(cases: Iterable[Case], largest: int = 48) -> list[list[Case]]:
    """Cases gathered by what can be simulated together: one layout, lengths alike."""
    groups: dict[str, list[Case]] = defaultdict(list)
    for case in cases:
        groups[case.layout].append(case)
    gathered = []
    for group in groups.values():
        group.sort(key=lambda case: case.days)
        gathered += [group[first : first + largest] for first in range(0, len(group), largest)]
    return gathered
