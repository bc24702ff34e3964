"""Hydrometer readings: what they would be at the reference temperature, and how far the cells lie apart."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from loggerd.model.log_book import LogEntry

PER_KELVIN = 0.0007
"""Change of the specific gravity of battery acid with temperature, as hydrometers show it [1/K].

0.004 for each 10 °F (5.5 K), the rule of the published service tables, is 0.0039 by this one.
"""


def corrected_gravity(gravity: float, celsius: float, reference_celsius: float) -> float:
    """A specific gravity as read at `celsius`, referred to another temperature: added above it, subtracted below."""
    return gravity + PER_KELVIN * (celsius - reference_celsius)


@dataclass(frozen=True)
class GravityRound:
    """One round judged. `gravities`: by cell, referred to the reference temperature where one was read.

    `uncorrected`: cells whose temperature is not known. `spread` is between the cells that are comparable: all of
    them corrected, or none; None with fewer than two. `wide`: whether it is over the limit. `rule` names the limit
    that was used.
    """

    gravities: Mapping[int, float]
    uncorrected: tuple[int, ...]
    spread: float | None
    lowest_cell: int
    highest_cell: int
    wide: bool
    rule: str


def judge_round(entry: LogEntry, limits: Mapping[str, float]) -> GravityRound:
    """Correct a hydrometer_round and hold its spread against the limit specific_gravity_spread.

    `limits` must have specific_gravity_spread and specific_gravity_celsius. The entry must have a cell.
    """
    read = entry.by_number("cell")
    warm = entry.by_number("cell", "celsius")
    common = entry.number("celsius")
    reference = limits["specific_gravity_celsius"]
    gravities, uncorrected = dict(read), []
    for cell, gravity in read.items():
        celsius = warm.get(cell, common)
        if celsius is None:
            uncorrected.append(cell)
        else:
            gravities[cell] = round(corrected_gravity(gravity, celsius, reference), 6)
    compared = gravities
    if len(uncorrected) < len(gravities):
        compared = {cell: gravity for cell, gravity in gravities.items() if cell not in uncorrected}
    lowest = min(compared, key=lambda cell: compared[cell])
    highest = max(compared, key=lambda cell: compared[cell])
    spread = round(compared[highest] - compared[lowest], 6) if len(compared) > 1 else None
    limit = limits["specific_gravity_spread"]
    rule = f"limit specific_gravity_spread, {limit:.3f}"
    wide = spread is not None and spread > limit
    return GravityRound(gravities, tuple(uncorrected), spread, lowest, highest, wide, rule)
