"""Quiet hours of a keeper: local hours of every day in which only what is dangerous is told."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo

_MOST_STEPS = 4


@dataclass(frozen=True)
class QuietHours:
    """From `start` until `end`, local time of the site; over midnight where `end` is the earlier one."""

    start: time
    end: time
    zone: tzinfo

    def holds(self, at_ms: int) -> bool:
        """Whether an instant (epoch ms) lies in them."""
        local = _local(at_ms, self.zone).time()
        if self.start <= self.end:
            return self.start <= local < self.end
        return local >= self.start or local < self.end

    def next_loud_ms(self, at_ms: int) -> int:
        """The instant itself where it is not quiet, else when it ceases to be (epoch ms).

        Where the clocks are set back, an end that comes twice may be followed by quiet again; the last one counts.
        """
        for _ in range(_MOST_STEPS):
            if not self.holds(at_ms):
                break
            at_ms = next_at_ms(at_ms, self.end, self.zone)
        return at_ms


def next_at_ms(after_ms: int, clock: time, zone: tzinfo) -> int:
    """The next instant (epoch ms) after another at which local clocks show that time.

    A time that is left out when clocks are set forward is taken as that much later; one that comes twice, as both.
    """
    day = _local(after_ms, zone).date()
    bare = [datetime.combine(day + timedelta(days=days), clock) for days in (0, 1, 2)]
    found = [round(one.replace(tzinfo=zone, fold=fold).timestamp() * 1000) for one in bare for fold in (0, 1)]
    return min(at_ms for at_ms in found if at_ms > after_ms)


def _local(at_ms: int, zone: tzinfo) -> datetime:
    return datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone)
