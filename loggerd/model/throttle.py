"""Waits after wrong tries: none for the first few, then each twice as long as the one before, up to a most."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class TryLimit:
    """What is allowed under one key. `free`: wrong tries before the first wait; they are forgotten `forget_ms` after
    the last one."""

    key: str
    free: int
    first_ms: int
    longest_ms: int
    forget_ms: int


@dataclass(frozen=True)
class Tries:
    """Wrong tries so far. `until_ms`: nothing is looked at before that (epoch ms)."""

    wrong: int = 0
    last_ms: int = 0
    until_ms: int = 0


def wait_ms(tries: Tries, limit: TryLimit, now_ms: int) -> int:
    """How long to wait before the next try, 0 for not at all.

    A wait longer than the longest comes from a wall clock that has been set back since; it does not count.
    """
    left = tries.until_ms - now_ms
    return left if 0 < left <= limit.longest_ms else 0


def after_wrong(tries: Tries, limit: TryLimit, now_ms: int) -> Tries:
    """One more wrong try."""
    forgotten = abs(now_ms - tries.last_ms) > limit.forget_ms
    wrong = 1 if forgotten else tries.wrong + 1
    if wrong < limit.free:
        return Tries(wrong, now_ms, 0)
    doublings = min(wrong - limit.free, 30)
    return Tries(wrong, now_ms, now_ms + min(limit.first_ms << doublings, limit.longest_ms))


def taken_back(tries: Tries) -> Tries:
    """As if the last try had not been: it was right after all."""
    return Tries(max(tries.wrong - 1, 0), tries.last_ms, 0)
