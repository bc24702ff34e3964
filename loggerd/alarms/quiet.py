"""What suppresses alarms by design while it lasts, as the log book tells it. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from loggerd.alarms.catalogue import HOUR_MS
from loggerd.model.log_book import LogEntry, holding


@dataclass(frozen=True)
class QuietTime:
    """Something that begins and ends with entries of the log book. One that nobody ends is over after `longest_hours`.

    `afterwards_hours`: so long after the end what it has set off may still be found.
    """

    name: str
    begins: str
    ends: str
    longest_hours: float
    afterwards_hours: float


QUIET_TIMES: tuple[QuietTime, ...] = (
    QuietTime("equalizing", "equalizing_begun", "equalizing_ended", 24.0, 2.0),
    QuietTime("capacity_test", "capacity_test_begun", "capacity_test_ended", 48.0, 2.0),
)
"""Lengths: common practice, no source; an equalizing charge takes hours, a test at the twenty-hour rate a day."""


def quiet_now(entries: Iterable[LogEntry], now_ms: int) -> dict[str, str]:
    """Name of what lasts now: why, by the entries of one bank. `now_ms`: epoch milliseconds.

    A correction that moves or takes back a beginning counts from when it is known.
    """
    held = [one for one in holding(entries) if one.happened_at_ms <= now_ms]
    found = {}
    for time in QUIET_TIMES:
        begun = max((one.happened_at_ms for one in held if one.kind == time.begins), default=None)
        if begun is None:
            continue
        over_ms = begun + round(time.longest_hours * HOUR_MS)
        ends = [one.happened_at_ms for one in held if one.kind == time.ends and one.happened_at_ms >= begun]
        if ends:
            over_ms = min(over_ms, min(ends) + round(time.afterwards_hours * HOUR_MS))
        if now_ms < over_ms:
            found[time.name] = f"{time.name.replace('_', ' ')} is in the log book"
    return found
