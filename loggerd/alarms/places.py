"""Which subjects of alarms are the same place of a bank."""

from __future__ import annotations

_KINDS = {"link": "block"}
"""A link is numbered by the block whose span it lies in."""


def place_of(subject: str) -> tuple[str, int] | None:
    """("block", 7) of "block 7", "link 7" and "block_7_volts"; ("string", 2) likewise; None of what has no place."""
    words = subject.replace("_", " ").split(" ")
    if len(words) < 2 or words[0] not in ("block", "link", "string") or not words[1].isdecimal():
        return None
    return _KINDS.get(words[0], words[0]), int(words[1])


def same_place(one: str, other: str) -> bool:
    """Whether two subjects are the same, or lie at the same block or string."""
    if one == other:
        return True
    place = place_of(one)
    return place is not None and place == place_of(other)
