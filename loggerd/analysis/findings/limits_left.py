"""How many hours a bank can go on at the present rate: by count and by the fall of its voltage, the lesser of both."""

from __future__ import annotations

from dataclasses import dataclass

from loggerd.analysis.findings.events import Capacity, SinceFull
from loggerd.analysis.frames import FRAME_MS

_FRAME_HOURS = FRAME_MS / 3_600_000
FALL_FRAMES = 7
"""The voltage's fall is taken over half an hour."""
_LEAST_FRAMES = 4
COUNT_DOUBT = 0.1
"""95 % half width of an amp-hour count since full, as a share of the capacity; own."""
RATED_DOUBT = 0.2
"""That of a capacity that nobody has measured; own."""


@dataclass(frozen=True)
class Left:
    """Hours left with their 95 % band."""

    hours: float
    low: float
    high: float


def by_count(drawn_amps: float, full: SinceFull | None, capacity: Capacity | None, rated: float) -> Left | None:
    """By what was counted since the bank was full; None if that is not known."""
    if full is None or drawn_amps <= 0.0:
        return None
    if capacity is None:
        holds, doubt = rated, RATED_DOUBT * rated
    else:
        holds, doubt = capacity.amp_hours, max(capacity.high - capacity.amp_hours, capacity.amp_hours - capacity.low)
    half = (doubt**2 + (COUNT_DOUBT * holds) ** 2) ** 0.5
    left = holds - full.net_out_amp_hours
    return Left(*(max(amp_hours, 0.0) / drawn_amps for amp_hours in (left, left - half, left + half)))


def by_fall(volts_per_cell: list[float], end_volts_per_cell: float) -> Left | None:
    """By how fast the voltage falls, the latest last; None where it does not.

    The voltage falls ever faster towards the end: a straight line tells the most, half of it the least (a parabola
    through the present slope that has turned down by then); own.
    """
    if len(volts_per_cell) < _LEAST_FRAMES:
        return None
    fall = (volts_per_cell[0] - volts_per_cell[-1]) / ((len(volts_per_cell) - 1) * _FRAME_HOURS)
    above = volts_per_cell[-1] - end_volts_per_cell
    if fall <= 0.0:
        return None
    straight = max(above, 0.0) / fall
    return Left(0.75 * straight, 0.5 * straight, straight)


def lesser(*estimates: Left | None) -> Left | None:
    """The most cautious of what is known: the least hours, the least low, and a high that holds both."""
    known = [one for one in estimates if one is not None]
    if not known:
        return None
    hours = min(one.hours for one in known)
    return Left(hours, min(one.low for one in known), max(hours, min(one.high for one in known)))
