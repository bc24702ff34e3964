"""The fold of one bank: readings in, settled ledger entries and marks out. Pure; its state is a plain value.

Live service, replay and recomputation run this same code. `push` takes all scans of all devices of the bank up to one
common instant; how the readings are grouped into pushes makes no difference to the entries, to the last bit.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence

import numpy as np

from loggerd.analysis.axis import SessionAxis
from loggerd.analysis.cleaning import ColumnCleaner
from loggerd.analysis.intake import SpanTracker
from loggerd.analysis.lead import choose_lead
from loggerd.analysis.lead_fold import LeadFold
from loggerd.analysis.plan import RULES_VERSION, BankPlan
from loggerd.model.finding import Finding
from loggerd.model.ledger import Entry, MarkSpan
from loggerd.model.results import FoldResults
from loggerd.model.scan import ScanBlock

PIECE = 32_768
"""Scans folded at a time: pieces that stay in the processor's cache are the fastest."""
_LATEST = 2**62


class BankFold:
    """The state machine of one bank. dump() and load() make and take a checkpoint."""

    def __init__(self, plan: BankPlan) -> None:
        self.plan = plan
        self.choice = choose_lead(plan.bank, plan.series)
        self._session: int | None = None
        self._cleaner = ColumnCleaner(plan)
        self._spans = SpanTracker()
        self._bank = LeadFold(plan, self.choice) if self.choice is not None else None

    def push(self, axis: SessionAxis, blocks: Sequence[ScanBlock]) -> FoldResults:
        """Fold all scans of the bank's devices up to one common instant of a session."""
        entries: list[Entry] = []
        marks: list[MarkSpan] = []
        findings: list[Finding] = []
        blocks = [block for block in blocks if len(block)]
        if not blocks:
            return FoldResults()
        if self._session != axis.session:
            if self._session is not None and axis.gap_unknown and self._bank is not None:
                broken = self._bank.break_off(axis.order)
                entries.extend(broken.entries)
                marks.extend(broken.marks)
                findings.extend(broken.findings)
            self._session = axis.session
            if self._bank is not None:
                self._bank.take_up_session(axis)
        for piece in _pieces(blocks, self._changes(axis)):
            devices, found = self._cleaner.push(axis, piece)
            if self._bank is not None:
                self._bank.take_up_settings(min(int(block.mono_ms[0]) for block in piece) + axis.offset_ms)
                settled = self._bank.push(axis, devices, found)
                entries.extend(settled.entries)
                marks.extend(settled.marks)
                findings.extend(settled.findings)
            for channel, mark, at_ms in found:
                marks.extend(self._spans.add(channel, mark, axis.session, at_ms))
        latest = max(int(block.mono_ms[-1]) for block in blocks) + axis.offset_ms
        marks.extend(self._spans.settle(latest, self._cleaner.undecided()))
        return FoldResults(tuple(entries), tuple(marks), tuple(findings))

    def _changes(self, axis: SessionAxis) -> list[int]:
        """Instants of the session's clock at which dated settings of the current change."""
        return [at_ms - axis.offset_ms for at_ms in self._bank.changes_ms] if self._bank is not None else []

    def view(self) -> FoldResults:
        """What is not settled yet, as it would stand if the record ended here, `complete` False. No side effects.

        Entries that the end of the record would complete come first and are `complete`.
        """
        copy = BankFold(self.plan)
        copy.load(self.dump())
        last = copy._bank.finish() if copy._bank is not None else FoldResults()
        return FoldResults(last.entries, (*last.marks, *copy._spans.finish()), last.findings)

    def dump(self) -> bytes:
        """The whole state as JSON text: whole numbers and floats that read back exactly."""
        plain = {
            "rules": RULES_VERSION,
            "session": self._session,
            "cleaner": self._cleaner.to_plain(),
            "spans": self._spans.to_plain(),
            "bank": self._bank.to_plain() if self._bank is not None else None,
        }
        return json.dumps(plain, separators=(",", ":")).encode()

    def load(self, state: bytes) -> None:
        """Take up a state made by dump(). Raises ValueError if other rules made it."""
        plain = json.loads(state)
        if plain["rules"] != RULES_VERSION:
            raise ValueError(f"state made by rules {plain['rules']}, these are rules {RULES_VERSION}")
        self._session = plain["session"]
        self._cleaner.load_plain(plain["cleaner"])
        self._spans.load_plain(plain["spans"])
        if self._bank is not None:
            self._bank.load_plain(plain["bank"])


def _pieces(blocks: Sequence[ScanBlock], changes: Sequence[int]) -> Iterator[list[ScanBlock]]:
    """The blocks in pieces of at most PIECE scans a device, all devices cut at one common instant.

    No piece reaches over one of the `changes` (instants of the session's clock).
    """
    largest = max(blocks, key=len)
    bounds = {int(largest.mono_ms[stop - 1]) for stop in range(PIECE, len(largest), PIECE)}
    bounds |= {change - 1 for change in changes}
    begins = [0] * len(blocks)
    for bound in [*sorted(bounds), _LATEST]:
        piece = []
        for number, block in enumerate(blocks):
            stop = int(np.searchsorted(block.mono_ms, bound, side="right"))
            if stop > begins[number]:
                piece.append(block.slice(begins[number], stop))
            begins[number] = stop
        if piece:
            yield piece
