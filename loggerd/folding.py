"""Keeps the ledgers of all banks in step with the record: catches up where they are behind, then follows live."""

from __future__ import annotations

import gc
import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from loggerd.analysis.axis import SessionAxis
from loggerd.analysis.fold import PIECE, BankFold
from loggerd.errors import StoreDamaged
from loggerd.model.ledger import Instant
from loggerd.model.results import FoldResults, joined
from loggerd.model.scan import ScanBlock
from loggerd.plans import axes_of, entered, ledger_fingerprint, plan_of
from loggerd.settings.site import SiteSettings
from loggerd.store.record import BankResults, Commit, Position, RecordReader, RecordWriter, ScanWindow, TakenIn

_log = logging.getLogger("loggerd")

CHECKPOINT_MS = 3_600_000
"""A state is stored with every result, and at least this often, so that a restart has little to fold again."""
_KEPT_BYTES = 16_000_000
WINDOWS_A_COMMIT = 48
"""Hours of readings folded between two commits while catching up: each commit waits for the card."""


@dataclass
class FollowedBank:
    """One bank's fold, how far it has come, and what it has found that is not stored yet."""

    name: str
    revision: int
    fold: BankFold
    position: Position | None
    behind: bool = True
    unsaved: FoldResults = field(default_factory=FoldResults)
    stored_at: Position | None = None

    def take(self, axis: SessionAxis, blocks: Sequence[ScanBlock], position: Position) -> None:
        found = self.fold.push(axis, blocks)
        self.unsaved = joined([self.unsaved, found])
        self.position = position

    def due(self) -> bool:
        """Whether a state has to be stored now."""
        if self.position is None or self.position == self.stored_at:
            return False
        if self.unsaved or self.stored_at is None or self.stored_at.session != self.position.session:
            return True
        return self.position.mono_ms - self.stored_at.mono_ms >= CHECKPOINT_MS

    def results(self) -> BankResults:
        assert self.position is not None
        return BankResults(self.name, self.revision, self.unsaved, self.position, self.fold.dump())

    def saved(self) -> None:
        self.unsaved = FoldResults()
        self.stored_at = self.position


class Follower:
    """The folds of all banks. Used by one thread only: the one that writes the record."""

    def __init__(
        self,
        settings: SiteSettings,
        path: Path,
        writer: RecordWriter,
        now_wall_ms: int,
        reason: str,
        *,
        anew: bool = False,
    ) -> None:
        """`reason` is kept with a new revision, where settings ask for one; `anew` begins one in any case."""
        self._path = path
        self._writer = writer
        self._now_wall_ms = now_wall_ms
        self._anew = anew
        reader = RecordReader.open(path)
        try:
            self._axes = axes_of(reader.sessions())
            self.banks = [self._bank(settings, bank.name, reader, reason) for bank in settings.banks]
        finally:
            reader.close()

    def _bank(self, settings: SiteSettings, name: str, reader: RecordReader, reason: str) -> FollowedBank:
        sessions = reader.sessions()
        mark = ledger_fingerprint(settings, name, sessions)
        revision = self._writer.set_revision(name, *mark, reason, self._now_wall_ms, anew=self._anew)
        try:
            found = reader.checkpoint(name, revision)
        except StoreDamaged as error:
            _log.error("%s: this is done now, as a new revision", error)
            reason = "the stored state was damaged"
            revision = self._writer.set_revision(name, *mark, reason, self._now_wall_ms, anew=True)
            found = None
        log = reader.log_entries(name)
        fold = BankFold(plan_of(settings, name, reader.series(), sessions, reader.revisions(name), log))
        if found is None:
            return FollowedBank(name, revision, fold, None)
        position, state = found
        fold.load(state)
        return FollowedBank(name, revision, fold, position, stored_at=position)

    def catch_up(self, progress: Callable[[str, int], None] | None = None, windows: int | None = None) -> bool:
        """Fold what the record has beyond each bank's position, at most so many windows; True when none is behind.

        Results are stored as it goes. `progress` is told the bank and the hours folded.
        """
        behind = [bank for bank in self.banks if bank.behind]
        for bank in behind:
            reader = RecordReader.open(self._path)
            try:
                self._catch_up_bank(bank, reader, progress, windows)
            finally:
                reader.close()
        return not any(bank.behind for bank in self.banks)

    def _catch_up_bank(
        self,
        bank: FollowedBank,
        reader: RecordReader,
        progress: Callable[[str, int], None] | None,
        windows: int | None,
    ) -> None:
        _keep_freed_memory()
        _spare_what_stays()
        gathered: list[ScanWindow] = []
        stored = 0
        for done, window in enumerate(reader.windows(bank.name, bank.position), 1):
            if gathered and (gathered[-1].session != window.session or _scans(gathered) >= PIECE):
                self._take(bank, gathered)
                gathered = []
                if done - stored > WINDOWS_A_COMMIT:
                    self._store([bank])
                    stored = done
            gathered.append(window)
            if progress is not None and done % 24 == 0:
                progress(bank.name, done)
            if windows is not None and done >= windows:
                break
        else:
            bank.behind = False
        self._take(bank, gathered)
        self._store([bank])

    def _take(self, bank: FollowedBank, gathered: list[ScanWindow]) -> None:
        if not gathered:
            return
        last = gathered[-1]
        blocks = [block for window in gathered for block in window.blocks]
        bank.take(self._axis(last.session), blocks, Position(last.session, last.until_mono_ms))

    def _store(self, banks: list[FollowedBank]) -> None:
        due = [bank for bank in banks if bank.due()]
        if due:
            self._writer.commit(Commit(results=tuple(bank.results() for bank in due)))
            for bank in due:
                bank.saved()

    def _axis(self, session: int) -> SessionAxis:
        return self._axes[session]

    def instant(self, session: int, mono_ms: int) -> Instant:
        """A moment of a session on the analysis axis."""
        return Instant(session, mono_ms + self._axis(session).offset_ms)

    def enter(self, log: Sequence[TakenIn]) -> None:
        """Tell the folds of entries of the log book that are stored with the next commit, or not at all.

        To be called before `follow` is given later readings. If the commit fails, this follower is done with.
        """
        for bank in self.banks:
            own = [taken for taken in log if taken.entry.bank == bank.name]
            bank.fold.plan.log.add(entered(own, self._axes))

    def follow(self, session: int, blocks: Sequence[ScanBlock], until_mono_ms: int) -> tuple[BankResults, ...]:
        """Fold live readings of all banks that are not behind; returns what has to be stored with the readings."""
        results = []
        for bank in self.banks:
            if bank.behind:
                continue
            own = [block for block in blocks if any(one in bank.fold.plan.series for one in block.series)]
            if own:
                bank.take(self._axis(session), own, Position(session, until_mono_ms))
            if bank.due():
                results.append(bank.results())
        return tuple(results)

    def stored(self, results: tuple[BankResults, ...]) -> None:
        """Tell that results given by `follow` are in the record."""
        names = {result.bank for result in results}
        for bank in self.banks:
            if bank.name in names:
                bank.saved()


def _keep_freed_memory() -> None:
    """Let the C library keep what long loops over columns give back, instead of fetching it from the kernel each time.

    The GNU C library returns free memory beyond twice the largest block that was ever freed (mallopt(3)); a block that
    is never touched costs nothing. Other libraries do not mind.
    """
    np.empty(_KEPT_BYTES // 2, dtype=np.uint8)


def _spare_what_stays() -> None:
    """Let the garbage collector leave alone what has been loaded by now: it stays until the end of the process.

    A bank whose load switches all day makes runs by the thousand, which set the collector to work again and again.
    """
    if not gc.get_freeze_count():
        gc.freeze()


def _scans(windows: list[ScanWindow]) -> int:
    return max((len(block) for window in windows for block in window.blocks), default=0) * len(windows)
