"""The limits of one bank as they hold at each instant: what findings are judged by."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class LimitTable:
    """Limits by name, in the units of their presets, from the beginning and from each change on.

    `changes_ms` are the instants of change, rising, on the time axis of the analysis; `stages` has one mapping more:
    `stages[0]` holds before the first change. A table without limits is false: nothing is judged then.
    """

    changes_ms: tuple[int, ...] = ()
    stages: tuple[Mapping[str, float], ...] = ({},)

    def at(self, at_ms: int) -> Mapping[str, float]:
        """The limits in force at an instant: the same object until the next change."""
        return self.stages[bisect_right(self.changes_ms, at_ms)]

    def __bool__(self) -> bool:
        return any(self.stages)


NO_LIMITS = LimitTable()


def limit_table(entries: Iterable[tuple[str, int | None, float]]) -> LimitTable:
    """The table of (name, since when in ms or None for the beginning, value); of two at one instant, the later entry.

    Raises ValueError for a limit that does not hold from the beginning.
    """
    told = list(entries)
    first = {name: value for name, since_ms, value in told if since_ms is None}
    if missing := {name for name, _, _ in told} - set(first):
        raise ValueError(f"limits that do not hold from the beginning: {', '.join(sorted(missing))}")
    changes_ms = tuple(sorted({since_ms for _, since_ms, _ in told if since_ms is not None}))
    stages = [first]
    for instant in changes_ms:
        changed = {name: value for name, since_ms, value in told if since_ms == instant}
        stages.append({**stages[-1], **changed})
    return LimitTable(changes_ms, tuple(stages))
