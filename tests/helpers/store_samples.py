"""Series, blocks and commits for tests of the record, made from a seed so that what is read can be judged."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from loggerd.model.bank import Accuracy, Series, SeriesScale
from loggerd.model.channels import MISSING, parse_channel
from loggerd.model.ledger import Entry, Figure, Instant, LedgerName, MarkSpan
from loggerd.model.results import FoldResults
from loggerd.model.scan import ScanBlock

HOUR_MS = 3_600_000
WALL_MS = 1_760_000_000_000


def series(device: str, channel: str, bank: str = "house", place: str = "holding 0", resolution: float = 1.0) -> Series:
    scale = SeriesScale(None, 1.0, 0.0, (-(10**9), 10**9), Accuracy())
    return Series(device, bank, parse_channel(channel), place, resolution, "V", (scale,))


def block(
    device: str,
    session: int,
    ids: Sequence[int],
    mono_ms: Iterable[int],
    *,
    seed: int = 0,
    offset_ms: int = WALL_MS,
    clock: int = 0,
) -> ScanBlock:
    """Noisy counts that depend only on series, time and seed, so that any reading can be made again and
    compared.
    """
    times = np.fromiter(mono_ms, dtype=np.int64)
    return ScanBlock(
        device,
        session,
        tuple(ids),
        times,
        np.full(len(times), offset_ms, dtype=np.int64),
        np.full(len(times), clock, dtype=np.int64),
        tuple(counts(identity, times, seed) for identity in ids),
    )


def counts(identity: int, times: np.ndarray, seed: int = 0) -> np.ndarray:
    """A wave with noise, and about one value in thirteen missing."""
    hashed = (times * 2_654_435_761 + identity * 40_503 + seed * 97) % 4_294_967_291
    values = 5000 * identity + (times // 1000) % 600 + hashed % 23
    return np.where(hashed % 13 == 0, MISSING, values).astype(np.int64)


def entry(session: int, start_ms: int, end_ms: int, amp_hours: float, ledger: LedgerName = LedgerName.CYCLES) -> Entry:
    figures = (
        Figure("amp_hours", amp_hours, amp_hours * 0.99, amp_hours * 1.01),
        Figure("charge_factor", None, reason="the charge is not finished"),
    )
    return Entry(ledger, "pair", Instant(session, start_ms), Instant(session, end_ms), True, figures)


def mark(session: int, start_ms: int, end_ms: int, channel: str = "amps") -> MarkSpan:
    return MarkSpan(channel, 2, Instant(session, start_ms), Instant(session, end_ms), 3)


def results(*entries: Entry, marks: tuple[MarkSpan, ...] = ()) -> FoldResults:
    return FoldResults(entries, marks)


Readings = dict[tuple[int, str, int, int], tuple[int, int, int]]
"""(session, device, mono_ms, series) -> (wall_minus_mono_ms, clock, count)"""


def readings_of(blocks: Iterable[ScanBlock]) -> Readings:
    """Every value of some blocks by itself, MISSING included."""
    found: Readings = {}
    for one in blocks:
        for identity, column in zip(one.series, one.counts, strict=True):
            for i in range(len(one)):
                key = (one.boot, one.device, int(one.mono_ms[i]), identity)
                assert key not in found, f"handed over twice: {key}"
                found[key] = (int(one.wall_minus_mono_ms[i]), int(one.clock[i]), int(column[i]))
    return found
