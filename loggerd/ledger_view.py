"""A look at a bank's ledgers in the record: what is settled, and what stands open right now."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from loggerd.analysis.axis import SessionAxis
from loggerd.analysis.fold import BankFold
from loggerd.errors import StoreError
from loggerd.model.ledger import Entry, FoldResults, Instant, LedgerName, MarkSpan
from loggerd.outputs.ledger_json import utc_text
from loggerd.plans import axes_of, ledger_fingerprint, plan_of
from loggerd.settings.site import SiteSettings
from loggerd.store.record import RecordReader, Revision


@dataclass(frozen=True)
class LedgerView:
    """Settled entries, then those that stand open; marks likewise. `notes` are for the keeper.

    `kept_only`: how many entries were made from readings that are no longer there.
    """

    bank: str
    entries: tuple[Entry, ...]
    marks: tuple[MarkSpan, ...]
    revisions: tuple[Revision, ...]
    axes: dict[int, SessionAxis]
    kept_only: int
    notes: tuple[str, ...]

    def text(self, instant: Instant) -> str:
        """An instant as ISO-8601 UTC, with what its session's clock was corrected by later."""
        return utc_text(self.shown_ms(instant))

    def shown_ms(self, instant: Instant) -> int:
        axis = self.axes.get(instant.session)
        return instant.at_ms + (axis.correction_ms if axis else 0)


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
    revisions = reader.revisions(bank)
    if revision is not None and revision not in {one.id for one in revisions}:
        known = ", ".join(str(one.id) for one in revisions)
        raise StoreError(f'bank "{bank}" has no revision {revision}; it has: {known or "none"}')
    entries: list[Entry] = []
    kept_only = 0
    for ledger in LedgerName:
        for stored in reader.entries(bank, ledger, revision, *span):
            entries.append(stored.entry)
            kept_only += not stored.recomputable
    marks = [stored.span for stored in reader.marks(bank, revision, *span)]
    notes: list[str] = []
    if revision is None and span[1] is None:
        open_ones = _open_entries(reader, settings, bank, revisions, notes)
        entries.extend(open_ones.entries)
        marks.extend(open_ones.marks)
    return LedgerView(
        bank, tuple(entries), tuple(marks), tuple(revisions), axes_of(reader.sessions()), kept_only, tuple(notes)
    )


def _open_entries(
    reader: RecordReader, settings: SiteSettings, bank: str, revisions: list[Revision], notes: list[str]
) -> FoldResults:
    """What the readings after the last stored state make, and what stands open at their end."""
    sessions = reader.sessions()
    fingerprint, _ = ledger_fingerprint(settings, bank, sessions)
    current = revisions[-1] if revisions else None
    if current is None or current.fingerprint != fingerprint:
        notes.append(
            "the settings (or the imported files) are not those of this ledger: "
            "`loggerd recompute` brings it up to date, and so does a restart of the service"
        )
        return FoldResults()
    fold = BankFold(plan_of(settings, bank, reader.series(), sessions, revisions))
    found = reader.checkpoint(bank, current.id)
    position = None
    if found is not None:
        position, state = found
        fold.load(state)
    axes = axes_of(sessions)
    entries: list[Entry] = []
    marks: list[MarkSpan] = []
    for window in reader.windows(bank, position):
        results = fold.push(axes[window.session], window.blocks)
        entries.extend(results.entries)
        marks.extend(results.marks)
        notes.extend(f"damaged readings left out as a gap: {damaged.text}" for damaged in window.damaged)
    rest = fold.view()
    return FoldResults((*entries, *rest.entries), (*marks, *rest.marks))
