"""Signs of life of other sites: which count, and which sites are silent. Pure.

Time is the watcher's own monotonic clock. A sign of life tells when it was sent and when the next is due, both by the
clock of its site; only their difference is used. So neither that clock nor the watcher's needs to be right.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import Enum
from typing import Any

from loggerd.alarms.catalogue import HOUR_MS

TOPIC = "heartbeat"
DAY_MS = 24 * HOUR_MS
UNHEARD_MS = DAY_MS
"""A site that has never been heard of is waited for so long, and its grace: one daily sign of life."""
LONGEST_INTERVAL_MS = 8 * DAY_MS
"""No sign of life is good for longer than this, whatever it says."""
_LARGEST_NUMBER = 2**62


@dataclass(frozen=True)
class Heartbeat:
    """A sign of life. `sent_ms`, `next_ms`: epoch ms by the site's clock; `number`: rises with each of one record."""

    site: str
    sent_ms: int
    next_ms: int
    number: int

    @property
    def interval_ms(self) -> int:
        return self.next_ms - self.sent_ms


def heartbeat_of(document: Mapping[str, Any]) -> Heartbeat:
    """A sign of life as it is told in a webhook's document or a mail's head. Raises ValueError, in words."""
    site, number = document.get("site"), document.get("number")
    if not isinstance(site, str) or not site:
        raise ValueError("it does not say which site it comes from")
    if not isinstance(number, int) or isinstance(number, bool) or not 0 <= number < _LARGEST_NUMBER:
        raise ValueError("it has no usable number")
    sent_ms, next_ms = (_instant(document.get(key), key) for key in ("sent_at", "next_due"))
    if not 0 < next_ms - sent_ms <= LONGEST_INTERVAL_MS:
        raise ValueError("the next is not due within eight days after it was sent")
    return Heartbeat(site, sent_ms, next_ms, number)


def _instant(text: object, key: str) -> int:
    if isinstance(text, str):
        try:
            at = datetime.fromisoformat(text)
        except ValueError:
            at = None
        if at is not None and at.tzinfo is not None:
            return round(at.timestamp() * 1000)
    raise ValueError(f"its {key} is no time with an offset, such as 2026-11-25T06:00:00+00:00")


@dataclass(frozen=True)
class Watched:
    """What is known of a site. `_mono_ms` are of the watcher's monotonic clock, `_wall_ms` epoch ms of its other one.

    `expected_mono_ms`: when its next sign of life is due, grace not counted. `heard_wall_ms`: when the last one came.
    `newest_ms`, `newest_number`: the latest sending time, and the highest number, of all that have counted.
    `silent_mono_ms`: since when it is overdue, None while it is not; `told_mono_ms`: by keeper, when that keeper was
    last to be told so.
    """

    expected_mono_ms: int
    heard_wall_ms: int | None = None
    newest_ms: int | None = None
    newest_number: int = -1
    silent_mono_ms: int | None = None
    told_mono_ms: Mapping[str, int] = field(default_factory=dict)


def unheard(mono_ms: int) -> Watched:
    """A site that the watcher has just been told of."""
    return Watched(mono_ms + UNHEARD_MS)


def heard(watched: Watched, beat: Heartbeat, mono_ms: int, wall_ms: int) -> Watched | None:
    """The site after a sign of life; None for one that has counted before or is older than one that has.

    Whoever sends an old one again gets nothing by it: neither its number nor its time of sending is above all that
    have counted. One of the two is enough: after a wrong clock of the site was set back its numbers go on, and after
    its record was begun anew its clock does.
    """
    newer = watched.newest_ms is None or beat.sent_ms > watched.newest_ms
    if not newer and beat.number <= watched.newest_number:
        return None
    return replace(
        watched,
        expected_mono_ms=mono_ms + beat.interval_ms,
        heard_wall_ms=wall_ms,
        newest_ms=beat.sent_ms if watched.newest_ms is None else max(beat.sent_ms, watched.newest_ms),
        newest_number=max(beat.number, watched.newest_number),
    )


def overdue_ms(watched: Watched, grace_ms: int, mono_ms: int) -> int:
    """For how long the sign of life has been overdue, the grace counted; 0 or less if it is not."""
    return mono_ms - watched.expected_mono_ms - grace_ms


class NoticeKind(Enum):
    """What a keeper is told of a site."""

    SILENT = "silent"
    STILL = "still silent"
    BACK = "back"


@dataclass(frozen=True)
class Notice:
    """Something that a keeper is to be told. `content`: the whole mail once it is composed, the same at each try.

    `overdue_ms`: how long the sign of life had been overdue when this was made. `next_mono_ms`: not tried before.
    """

    site: str
    keeper: str
    kind: NoticeKind
    overdue_ms: int
    message_id: str = ""
    subject: str = ""
    content: str = ""
    tries: int = 0
    next_mono_ms: int = 0
    answer: str = ""


@dataclass(frozen=True)
class WatchState:
    """All that a watcher knows: sites by name, and what is to be told, in order."""

    sites: Mapping[str, Watched] = field(default_factory=dict)
    notices: tuple[Notice, ...] = ()

    def with_site(self, name: str, watched: Watched) -> WatchState:
        return replace(self, sites={**self.sites, name: watched})

    def shifted(self, by_ms: int) -> WatchState:
        """The same with another zero of the monotonic clock."""
        sites = {
            name: replace(
                one,
                expected_mono_ms=one.expected_mono_ms + by_ms,
                silent_mono_ms=None if one.silent_mono_ms is None else one.silent_mono_ms + by_ms,
                told_mono_ms={keeper: at_ms + by_ms for keeper, at_ms in one.told_mono_ms.items()},
            )
            for name, one in self.sites.items()
        }
        return WatchState(sites, tuple(replace(one, next_mono_ms=one.next_mono_ms + by_ms) for one in self.notices))


def looked(
    state: WatchState, graces_ms: Mapping[str, int], repeats_ms: Mapping[str, int] | None, mono_ms: int
) -> WatchState:
    """The state after a look at the sites. `graces_ms`: by site; `repeats_ms`: by keeper who is told, 0 for once.

    Without `repeats_ms` nobody is told: sites that are new begin to be waited for, and nothing else changes.
    """
    for name in graces_ms:
        if name not in state.sites:
            state = state.with_site(name, unheard(mono_ms))
    if repeats_ms is None:
        return state
    for name, grace_ms in graces_ms.items():
        watched = state.sites[name]
        late_ms = overdue_ms(watched, grace_ms, mono_ms)
        if late_ms > 0:
            state = _silent(state, name, late_ms, repeats_ms, mono_ms)
        elif watched.silent_mono_ms is not None:
            state = _back(state, name, mono_ms - watched.silent_mono_ms)
    kept = {name: one for name, one in state.sites.items() if name in graces_ms}
    notices = tuple(one for one in state.notices if one.site in kept and one.keeper in repeats_ms)
    return WatchState(kept, notices)


def _silent(state: WatchState, name: str, late_ms: int, repeats_ms: Mapping[str, int], mono_ms: int) -> WatchState:
    """Every keeper is told once, and again when it is time; what waits to be told is not told twice."""
    watched = state.sites[name]
    told = {keeper: at_ms for keeper, at_ms in watched.told_mono_ms.items() if keeper in repeats_ms}
    waiting = {one.keeper for one in state.notices if one.site == name}
    new = []
    for keeper, repeat_ms in repeats_ms.items():
        first = keeper not in told
        again = not first and keeper not in waiting and 0 < repeat_ms <= mono_ms - told[keeper]
        if first or again:
            new.append(Notice(name, keeper, NoticeKind.SILENT if first else NoticeKind.STILL, late_ms))
            told[keeper] = mono_ms
    since = mono_ms - late_ms if watched.silent_mono_ms is None else watched.silent_mono_ms
    now = replace(watched, silent_mono_ms=since, told_mono_ms=told)
    return state if now == watched else replace(state.with_site(name, now), notices=(*state.notices, *new))


def _back(state: WatchState, name: str, late_ms: int) -> WatchState:
    """Who has been told that it is silent is told that it is back; what was not tried yet is told no more."""
    watched = state.sites[name]
    dropped = [one for one in state.notices if one.site == name and not one.tries and one.kind is not NoticeKind.BACK]
    unaware = {one.keeper for one in dropped if one.kind is NoticeKind.SILENT}
    kept = tuple(one for one in state.notices if one not in dropped)
    aware = [keeper for keeper in watched.told_mono_ms if keeper not in unaware]
    back = tuple(Notice(name, keeper, NoticeKind.BACK, late_ms) for keeper in aware)
    now = replace(watched, silent_mono_ms=None, told_mono_ms={})
    return replace(state.with_site(name, now), notices=(*kept, *back))


__all__ = [
    "Heartbeat",
    "Notice",
    "NoticeKind",
    "WatchState",
    "Watched",
    "heard",
    "heartbeat_of",
    "looked",
    "overdue_ms",
    "unheard",
]
