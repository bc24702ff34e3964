"""How often a bank was drawn empty in the last weeks: it is told on after the bank was charged again."""

from __future__ import annotations

from loggerd.analysis.findings.drawn_up import figures, tell
from loggerd.analysis.findings.limits_specs import DEEP
from loggerd.analysis.frames import DAY_MS, Frame
from loggerd.model.finding import Finding

WINDOW_MS = 28 * DAY_MS
"""How long a draw to empty counts; own: as long as a keeper takes to see and change a habit."""
_APART_MS = DAY_MS // 2
"""Draws closer together than this are one: the bank was not charged fully between them."""
_KEPT = 2 * WINDOW_MS // DAY_MS


def note_empty(draws: list[list[float]], since_ms: int, end_ms: int, volts_per_cell: float) -> bool:
    """Puts one more empty frame on the list of draws (start, end, lowest volts per cell, half width of the latter as it
    was last known); whether it is a new draw."""
    if draws and since_ms - draws[-1][1] < _APART_MS:
        draws[-1][1:3] = [end_ms, min(draws[-1][2], volts_per_cell)]
        return False
    draws.append([since_ms, end_ms, volts_per_cell, 0.0])
    del draws[:-_KEPT]
    return True


def forget(draws: list[list[float]], now_ms: int) -> bool:
    """Drops what lies too far back; whether there was any."""
    had = len(draws)
    while draws and now_ms - draws[0][1] > WINDOW_MS:
        del draws[0]
    return len(draws) < had


def tell_deep(frame: Frame, draws: list[list[float]]) -> Finding:
    """With the 95 % half width of the lowest draw."""
    days = WINDOW_MS // DAY_MS
    if not draws:
        return tell(frame, DEEP.name, "within", f"not drawn empty in the last {days} days")
    lowest, half_width = min((row[2], row[3]) for row in draws)
    often = "once" if len(draws) == 1 else f"{len(draws)} times"
    return tell(
        frame,
        DEEP.name,
        "once" if len(draws) == 1 else "repeatedly",
        f"drawn empty {often} in the last {days} days, down to {lowest:.3f} V per cell without the load",
        value=lowest,
        band=(lowest - half_width, lowest + half_width),
        since_ms=int(draws[0][0]),
        spans=tuple((int(row[0]), int(row[1])) for row in draws[-5:]),
        details=figures(draws=float(len(draws))),
    )
