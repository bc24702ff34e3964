"""How many alarms there are, and whether they are a burden: the measures of ISA-18.2 / IEC 62682 and EEMUA 191. Pure.

The standards' targets are for a staffed desk; a keeper who gets mail needs a hundredth of that.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from loggerd.model.alarm import AlarmChange, AlarmEvent, AlarmKey, Priority

MINUTE_MS = 60_000
DAY_MS = 86_400_000
FLOOD_WINDOW_MS = 600_000
FLOOD_STARTS = 10
FLOOD_ENDS = 5
CHATTERS = 3
TARGET_SPLIT: Mapping[Priority, float] = {Priority.LOW: 0.80, Priority.MEDIUM: 0.15, Priority.HIGH: 0.05}
"""Published shares; what is critical counts with high. They are for plants, and are reported, never enforced."""
MOST_PER_DAY = 150.0
"""Raised a day: "very likely to be acceptable" by ISA-18.2-2009, about 144 by IEC 62682:2014; published accounts."""
MOST_PER_HOUR = 6.0
"""Raised an hour on average, ISA-18.2-2009; from memory."""
MOST_PER_TEN_MINUTES = 1.0
"""Raised in ten minutes on average: EEMUA 191, as published accounts give it."""
MOST_FLOOD_SHARE = 0.01
"""Share of the time in floods, ISA-18.2-2009; from memory, as are the two that follow."""
MOST_STALE = 5
"""Stale alarms on any day: fewer than this."""
MOST_TOP_SHARE = 0.05
"""Share of the ten most frequent alarms in all that are raised."""
TOP = 10


@dataclass(frozen=True)
class Episode:
    """One alarm from raising to clearing; `cleared_ms` None while it stands. `acknowledged`: somebody acted in it."""

    key: AlarmKey
    raised_ms: int
    cleared_ms: int | None = None
    acknowledged: bool = False


@dataclass(frozen=True)
class Flood:
    """From the raising that made it one until the rate has fallen; `end_ms` None if it had not by then."""

    start_ms: int
    end_ms: int | None
    alarms: int


def episodes_of(changes: Iterable[AlarmChange]) -> list[Episode]:
    """Episodes by recorded changes, in order of raising. `changes` in order of time."""
    found: list[Episode] = []
    open_at: dict[AlarmKey, int] = {}
    for change in changes:
        if change.event is AlarmEvent.RAISED:
            open_at[change.key] = len(found)
            found.append(Episode(change.key, change.at.at_ms))
        elif change.key not in open_at:
            continue
        elif change.event is AlarmEvent.CLEARED:
            position = open_at.pop(change.key)
            found[position] = replace(found[position], cleared_ms=change.at.at_ms)
        elif change.event is AlarmEvent.ACKNOWLEDGED:
            position = open_at[change.key]
            found[position] = replace(found[position], acknowledged=True)
    return found


def chattering(episodes: Sequence[Episode]) -> set[AlarmKey]:
    """Alarms that occurred and cleared three times or more within a minute."""
    found = set()
    for key, own in _by_key(episodes).items():
        over = [(one.raised_ms, one.cleared_ms) for one in own if one.cleared_ms is not None]
        for (raised_ms, _), (_, cleared_ms) in zip(over, over[CHATTERS - 1 :], strict=False):
            if cleared_ms - raised_ms <= MINUTE_MS:
                found.add(key)
    return found


def fleeting(episodes: Sequence[Episode]) -> list[Episode]:
    """Episodes that were short (under a minute), cleared without action, and did not come again within a minute."""
    found = []
    for own in _by_key(episodes).values():
        for position, one in enumerate(own):
            if one.cleared_ms is None or one.acknowledged or one.cleared_ms - one.raised_ms >= MINUTE_MS:
                continue
            around = own[max(position - 1, 0) : position] + own[position + 1 : position + 2]
            if all(_apart_ms(one, other) > MINUTE_MS for other in around):
                found.append(one)
    return sorted(found, key=lambda one: (one.raised_ms, one.key))


def floods(raised_ms: Iterable[int], until_ms: int) -> list[Flood]:
    """Floods: begun with ten raised within ten minutes, over when fewer than five lie in the last ten minutes."""
    instants = sorted(one for one in raised_ms if one <= until_ms)
    found: list[Flood] = []
    position = 0
    while position < len(instants):
        first = position - FLOOD_STARTS + 1
        if first < 0 or instants[position] - instants[first] >= FLOOD_WINDOW_MS:
            position += 1
            continue
        last = position
        while last + 1 < len(instants) and instants[last + 1] <= _thin(instants, last):
            last += 1
        end_ms = _thin(instants, last)
        found.append(Flood(instants[position], end_ms if end_ms <= until_ms else None, last - first + 1))
        position = last + 1
    return found


def flood_share(found: Iterable[Flood], start_ms: int, end_ms: int) -> float:
    """Share of a time that lay in floods. Raises ValueError for no time."""
    if end_ms <= start_ms:
        raise ValueError("no time to take a share of")
    inside = sum(
        max(0, min(end_ms if one.end_ms is None else one.end_ms, end_ms) - max(one.start_ms, start_ms)) for one in found
    )
    return inside / (end_ms - start_ms)


def average_per_day(episodes: Sequence[Episode], start_ms: int, end_ms: int) -> float:
    """Alarms raised per day of a time. Raises ValueError for no time."""
    if end_ms <= start_ms:
        raise ValueError("no time to take an average over")
    return sum(start_ms <= one.raised_ms < end_ms for one in episodes) * DAY_MS / (end_ms - start_ms)


def most_within(instants_ms: Iterable[int], span_ms: int) -> int:
    """Most instants that lie within any span of that length (its end not counted)."""
    instants = sorted(instants_ms)
    most = first = 0
    for position, instant in enumerate(instants):
        while instant - instants[first] >= span_ms:
            first += 1
        most = max(most, position - first + 1)
    return most


def as_of(episodes: Iterable[Episode], at_ms: int) -> list[Episode]:
    """Episodes as they were known at an instant: later ones left out, those not cleared by then standing."""
    return [
        replace(one, cleared_ms=None) if one.cleared_ms is not None and one.cleared_ms > at_ms else one
        for one in episodes
        if one.raised_ms <= at_ms
    ]


def stale(episodes: Sequence[Episode], now_ms: int, longer_than_ms: int = DAY_MS) -> list[Episode]:
    """Episodes that have stood for more than a day and still do."""
    return [one for one in episodes if one.cleared_ms is None and now_ms - one.raised_ms > longer_than_ms]


def top_share(episodes: Sequence[Episode], most: int = TOP) -> float:
    """Share of all raisings that the most frequent alarms have; 0 without any."""
    counts = Counter(one.key for one in episodes)
    return sum(count for _, count in counts.most_common(most)) / len(episodes) if episodes else 0.0


@dataclass(frozen=True)
class Split:
    """Of one priority: how many there are, how many there would be by the published share, and the difference."""

    priority: Priority
    count: int
    target: float

    @property
    def deviation(self) -> float:
        return self.count - self.target


def priority_split(priorities: Iterable[Priority]) -> tuple[Split, ...]:
    """Low, medium and high (with critical) against their published shares."""
    counts: Counter[Priority] = Counter(Priority.HIGH if one is Priority.CRITICAL else one for one in priorities)
    return tuple(Split(priority, counts[priority], share * counts.total()) for priority, share in TARGET_SPLIT.items())


def _by_key(episodes: Iterable[Episode]) -> dict[AlarmKey, list[Episode]]:
    found: dict[AlarmKey, list[Episode]] = {}
    for one in sorted(episodes, key=lambda one: one.raised_ms):
        found.setdefault(one.key, []).append(one)
    return found


def _apart_ms(one: Episode, other: Episode) -> int:
    first, second = (one, other) if one.raised_ms <= other.raised_ms else (other, one)
    return second.raised_ms - (second.raised_ms if first.cleared_ms is None else first.cleared_ms)


def _thin(instants: Sequence[int], last: int) -> int:
    """When fewer than five of those up to `last` lie in the ten minutes before."""
    return instants[last - FLOOD_ENDS + 1] + FLOOD_WINDOW_MS
