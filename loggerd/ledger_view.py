"""A look at a bank's ledgers in the record: what is settled, and what stands open right now."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from loggerd.analysis.axis import SessionAxis, shown_ms
from loggerd.analysis.fold import BankFold
from loggerd.analysis.lead import NO_CURRENT
from loggerd.errors import StoreError
from loggerd.model.finding import Finding
from loggerd.model.ledger import Entry, Instant, LedgerName, MarkSpan
from loggerd.model.results import FoldResults, joined
from loggerd.outputs.ledger_json import utc_text
from loggerd.plans import axes_of, ledger_fingerprint, plan_of
from loggerd.settings.site import SiteSettings
from loggerd.store.record import Position, RecordReader, Revision, Session, StoredEntry


@dataclass(frozen=True)
class LedgerView:
    """Settled entries, then those that stand open; marks likewise. `findings`: what was told in the time asked for,
    in order; those that hold now, if no time is given. `notes` are for the keeper.

    `kept_only`: how many entries were made from readings that are no longer there.
    """

    bank: str
    entries: tuple[Entry, ...]
    marks: tuple[MarkSpan, ...]
    findings: tuple[Finding, ...]
    revisions: tuple[Revision, ...]
    axes: dict[int, SessionAxis]
    kept_only: int
    notes: tuple[str, ...]

    def text(self, instant: Instant) -> str:
        """An instant as ISO-8601 UTC, with what its session's clock was corrected by later."""
        return utc_text(self.shown_ms(instant))

    def shown_ms(self, instant: Instant) -> int:
        return shown_ms(self.axes, instant)


def view_ledger(
    settings: SiteSettings,
    bank: str,
    from_ms: int | None = None,
    until_ms: int | None = None,
    revision: int | None = None,
) -> LedgerView:
    """Read a bank's ledgers; `revision` asks for an earlier one. Raises StoreError."""
    path = Path(settings.record.path)
    reader = RecordReader.open(path)
    try:
        return _view(reader, settings, bank, (from_ms, until_ms), revision)
    finally:
        reader.close()


def _view(
    reader: RecordReader,
    settings: SiteSettings,
    bank: str,
    span: tuple[int | None, int | None],
    revision: int | None,
) -> LedgerView:
    stored = _stored(reader, bank, span, revision)
    entries = [one.entry for one in stored.entries]
    kept_only = sum(not one.recomputable for one in stored.entries)
    marks = list(stored.marks)
    findings = list(stored.findings)
    notes: list[str] = []
    sessions = reader.sessions()
    if revision is None:
        open_ones = _open_entries(reader, settings, bank, stored, sessions, notes)
        entries.extend(entry for entry in open_ones.entries if _within(entry, span))
        marks.extend(mark for mark in open_ones.marks if _within(mark, span))
        findings.extend(one for one in open_ones.findings if _told_within(one, span))
    axes = axes_of(sessions)
    return LedgerView(
        bank, tuple(entries), tuple(marks), tuple(findings), stored.revisions, axes, kept_only, tuple(notes)
    )


def _within(one: Entry | MarkSpan, span: tuple[int | None, int | None]) -> bool:
    """Whether it lies at least partly in [from, until)."""
    from_ms, until_ms = span
    return (from_ms is None or one.end.at_ms >= from_ms) and (until_ms is None or one.start.at_ms < until_ms)


def _told_within(one: Finding, span: tuple[int | None, int | None]) -> bool:
    from_ms, until_ms = span
    return (from_ms is None or one.at.at_ms >= from_ms) and (until_ms is None or one.at.at_ms < until_ms)


@dataclass(frozen=True)
class _Stored:
    """What the record holds of a bank's ledgers at one moment, and how far they had come by then."""

    revisions: tuple[Revision, ...]
    entries: tuple[StoredEntry, ...]
    marks: tuple[MarkSpan, ...]
    findings: tuple[Finding, ...]
    checkpoint: tuple[Position, bytes] | None


def _stored(reader: RecordReader, bank: str, span: tuple[int | None, int | None], revision: int | None) -> _Stored:
    # Of one moment, lest what a running service settles between two looks is missing or told twice.
    with reader.one_state():
        revisions = tuple(reader.revisions(bank))
        if revision is not None and revision not in {one.id for one in revisions}:
            known = ", ".join(str(one.id) for one in revisions)
            raise StoreError(f'bank "{bank}" has no revision {revision}; it has: {known or "none"}')
        entries = tuple(one for ledger in LedgerName for one in reader.entries(bank, ledger, revision, *span))
        marks = tuple(one.span for one in reader.marks(bank, revision, *span))
        told = (
            reader.newest_findings(bank, revision) if span == (None, None) else reader.findings(bank, revision, *span)
        )
        findings = tuple(one.finding for one in told)
        checkpoint = reader.checkpoint(bank, revisions[-1].id) if revisions and revision is None else None
    return _Stored(revisions, entries, marks, findings, checkpoint)


def _open_entries(
    reader: RecordReader,
    settings: SiteSettings,
    bank: str,
    stored: _Stored,
    sessions: list[Session],
    notes: list[str],
) -> FoldResults:
    """What the readings after the last stored state make, and what stands open at their end."""
    fingerprint, _ = ledger_fingerprint(settings, bank, sessions)
    if not stored.revisions or stored.revisions[-1].fingerprint != fingerprint:
        notes.append(
            "the settings (or the imported files) are not those of this ledger: "
            "`loggerd recompute` brings it up to date, and so does a restart of the service"
        )
        return FoldResults()
    axes = axes_of(sessions)
    log = [one for one in reader.log_entries(bank) if one.session in axes]
    fold = BankFold(plan_of(settings, bank, reader.series(), sessions, stored.revisions, log))
    if fold.choice is None:
        notes.append(NO_CURRENT)
    position = None
    if stored.checkpoint is not None:
        position, state = stored.checkpoint
        fold.load(state)
    found: list[FoldResults] = []
    for window in reader.windows(bank, position):
        if window.session not in axes:
            # The service was started again a moment ago.
            break
        found.append(fold.push(axes[window.session], window.blocks))
        notes.extend(f"damaged readings left out as a gap: {damaged.text}" for damaged in window.damaged)
    return joined([*found, fold.view()])
