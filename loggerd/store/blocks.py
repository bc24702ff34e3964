"""Cutting and joining blocks of scans, and the wall time of scans stamped before the clock was set."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from loggerd.model.channels import MISSING
from loggerd.model.scan import ClockState, Integers, ScanBlock
from loggerd.store.shapes import HOUR_MS


def cut_by_window(blocks: Iterable[ScanBlock]) -> dict[int, list[ScanBlock]]:
    """The scans by hour of the monotonic clock, in rising order of the hour; none is empty."""
    windows: dict[int, list[ScanBlock]] = {}
    for block in blocks:
        start = 0
        while start < len(block):
            window = int(block.mono_ms[start]) // HOUR_MS
            stop = int(np.searchsorted(block.mono_ms, (window + 1) * HOUR_MS, side="left"))
            windows.setdefault(window, []).append(block.slice(start, stop))
            start = stop
    return dict(sorted(windows.items()))


def join_blocks(blocks: Iterable[ScanBlock]) -> tuple[ScanBlock, ...]:
    """One block for each device and set of series, in order of the first scan, scans in order of time."""
    groups: dict[tuple[str, tuple[int, ...]], list[ScanBlock]] = {}
    for block in blocks:
        groups.setdefault((block.device, block.series), []).append(block)
    joined = [_join(group) for group in groups.values()]
    return tuple(sorted(joined, key=lambda block: int(block.mono_ms[0])))


def _join(group: list[ScanBlock]) -> ScanBlock:
    if len(group) == 1:
        return group[0]
    first = group[0]
    whole = ScanBlock(
        first.device,
        first.boot,
        first.series,
        np.concatenate([block.mono_ms for block in group]),
        np.concatenate([block.wall_minus_mono_ms for block in group]),
        np.concatenate([block.clock for block in group]),
        tuple(np.concatenate([block.counts[i] for block in group]) for i in range(len(first.series))),
    )
    if np.all(np.diff(whole.mono_ms) > 0):
        return whole
    return pick(whole, np.argsort(whole.mono_ms, kind="stable"))


def pick(block: ScanBlock, chosen: Integers) -> ScanBlock:
    """The scans at the given places, as a block of their own."""
    return ScanBlock(
        block.device,
        block.boot,
        block.series,
        block.mono_ms[chosen],
        block.wall_minus_mono_ms[chosen],
        block.clock[chosen],
        tuple(column[chosen] for column in block.counts),
    )


def settled_wall_ms(block: ScanBlock) -> Integers:
    """Epoch milliseconds of the scans; where the clock was not set yet, by what it was set to later in the block.

    The stored offsets stay as they are; this is for finding readings by date and for summaries.
    """
    offsets = block.wall_minus_mono_ms
    unset = block.clock == int(ClockState.NOT_SET)
    if unset.any() and not unset.all():
        trusted = np.flatnonzero(~unset)
        following = np.searchsorted(trusted, np.flatnonzero(unset))
        offsets = offsets.copy()
        # After the last trusted scan the clock has lost its source but not its time: keep it as read.
        found = following < len(trusted)
        offsets[np.flatnonzero(unset)[found]] = block.wall_minus_mono_ms[trusted[following[found]]]
    return block.mono_ms + offsets


def count_readings(block: ScanBlock) -> int:
    """Number of values in a block, missing ones left out."""
    return sum(int(np.count_nonzero(column != MISSING)) for column in block.counts)
