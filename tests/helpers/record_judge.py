"""Judges a record: nothing announced is missing, and its ledgers are those of one fold without any restart."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from loggerd.analysis.fold import BankFold
from loggerd.folding import Follower
from loggerd.ledger_view import view_ledger
from loggerd.model.ledger import Entry, LedgerName, MarkSpan
from loggerd.model.scan import ScanBlock
from loggerd.plans import axes_of, plan_of
from loggerd.settings.site import SiteSettings
from loggerd.store.record import Position, RecordReader, RecordWriter

Announced = dict[tuple[int, str], set[int]]
"""(session, device) -> the monotonic times announced as stored."""


def announced(said: bytes) -> Announced:
    """What an acknowledgement stream says; a last line that was cut short does not count."""
    found: Announced = {}
    for line in said[: said.rfind(b"\n") + 1].decode().splitlines():
        word, session, rest = line.split(" ", 2)
        assert word == "stored"
        device, _, times = rest.rpartition(" ")
        stamps = found.setdefault((int(session), device), set())
        new = set(map(int, times.split(",")))
        assert not stamps & new, f"announced twice: {device} of session {session}"
        stamps |= new
    return found


def blocks_of(path: Path, banks: Iterable[str], after: Position | None = None) -> list[ScanBlock]:
    """All readings of some banks, of the record as it is."""
    reader = RecordReader.open(path)
    try:
        windows = [window for bank in banks for window in reader.windows(bank, after)]
    finally:
        reader.close()
    assert not any(window.damaged for window in windows)
    return [block for window in windows for block in window.blocks]


def missing(found: Announced, blocks: Iterable[ScanBlock]) -> dict[tuple[int, str], list[int]]:
    """What was announced and is not in the blocks; each of which must be there once."""
    stored: Announced = {}
    for block in blocks:
        times = set(block.mono_ms.tolist())
        assert len(times) == len(block)
        before = stored.setdefault((block.boot, block.device), set())
        assert not before & times, f"twice in the record: {block.device} of session {block.boot}"
        before |= times
    gone = {key: sorted(times - stored.get(key, set())) for key, times in found.items()}
    return {key: times for key, times in gone.items() if times}


def integrity(path: Path) -> str:
    """SQLite's own full check; to be called while nobody writes."""
    connection = sqlite3.connect(path)
    try:
        found = [row[0] for row in connection.execute("PRAGMA integrity_check").fetchall()]
        found += [str(row) for row in connection.execute("PRAGMA foreign_key_check").fetchall()]
    finally:
        connection.close()
    return "; ".join(found)


@dataclass(frozen=True)
class Ledgers:
    """Settled entries by ledger, those that stand open, and all spans of marks."""

    settled: dict[LedgerName, tuple[Entry, ...]]
    open: dict[LedgerName, tuple[Entry, ...]]
    marks: tuple[MarkSpan, ...]

    def count(self) -> int:
        return sum(map(len, self.settled.values()))


def _by_ledger(entries: Iterable[Entry]) -> dict[LedgerName, tuple[Entry, ...]]:
    every = list(entries)
    return {ledger: tuple(entry for entry in every if entry.ledger is ledger) for ledger in LedgerName}


def single_fold(settings: SiteSettings, bank: str) -> Ledgers:
    """One fold from the beginning over exactly the readings in the record."""
    reader = RecordReader.open(Path(settings.record.path))
    try:
        sessions = reader.sessions()
        fold = BankFold(plan_of(settings, bank, reader.series(), sessions, reader.revisions(bank)))
        axes = axes_of(sessions)
        entries: list[Entry] = []
        marks: list[MarkSpan] = []
        for window in reader.windows(bank, None):
            found = fold.push(axes[window.session], window.blocks)
            entries += found.entries
            marks += found.marks
    finally:
        reader.close()
    rest = fold.view()
    return Ledgers(_by_ledger(entries), _by_ledger(rest.entries), (*marks, *rest.marks))


def stored_entries(path: Path, bank: str, revision: int | None = None) -> dict[LedgerName, tuple[Entry, ...]]:
    """The entries in the record, of the current revision alone if none is named."""
    reader = RecordReader.open(path)
    try:
        chosen = reader.revisions(bank)[-1].id if revision is None else revision
        return {ledger: tuple(one.entry for one in reader.entries(bank, ledger, chosen)) for ledger in LedgerName}
    finally:
        reader.close()


def judge_ledger(settings: SiteSettings, bank: str) -> Ledgers:
    """Assert that the ledger of a bank, stored and open, is that of one fold; returns that."""
    whole = single_fold(settings, bank)
    stored = stored_entries(Path(settings.record.path), bank)
    for ledger, entries in stored.items():
        assert entries == whole.settled[ledger][: len(entries)], f"{bank}: {ledger.value} differ"
        # Equal floats are not the same bits where one is -0.0.
        assert repr(entries) == repr(whole.settled[ledger][: len(entries)])
    view = view_ledger(settings, bank)
    assert not view.notes
    shown = _by_ledger(view.entries)
    for ledger in LedgerName:
        assert repr(shown[ledger]) == repr(whole.settled[ledger] + whole.open[ledger]), f"{bank}: {ledger.value}"
    # Spans are told as they end; which of two that end together comes first depends on the pieces that were folded.
    assert sorted(map(repr, view.marks)) == sorted(map(repr, whole.marks))
    return whole


def judge_caught_up(settings: SiteSettings, bank: str) -> Ledgers:
    """As judge_ledger, after the service's own catching up: then every settled entry is stored, and none twice."""
    path = Path(settings.record.path)
    writer = RecordWriter.open(path)
    try:
        Follower(settings, path, writer, 0, "not asked for").catch_up()
    finally:
        writer.close()
    whole = judge_ledger(settings, bank)
    assert stored_entries(path, bank) == whole.settled
    return whole


def rising(blocks: Iterable[ScanBlock]) -> bool:
    """Whether stamps rise strictly over all devices of each session."""
    sessions: dict[int, list[np.ndarray]] = {}
    for block in blocks:
        sessions.setdefault(block.boot, []).append(block.mono_ms)
    for times in sessions.values():
        every = np.sort(np.concatenate(times))
        if not bool((np.diff(every) > 0).all()):
            return False
    return True
