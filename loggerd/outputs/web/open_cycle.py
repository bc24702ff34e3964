"""The cycle that is not over yet: the state stored with the last commit, folded on by what came after it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice

from loggerd.analysis.fold import BankFold
from loggerd.errors import StoreDamaged
from loggerd.model.ledger import Entry, LedgerName
from loggerd.outputs.web.asking import Ask
from loggerd.plans import axes_of, ledger_fingerprint, plan_of

MOST_HOURS = 3
"""Hours of readings that are folded on for a page; a ledger that is further behind is brought up by the service."""


@dataclass(frozen=True)
class OpenCycle:
    """`entry`: None where none is open or it cannot be told; `note` says why it cannot, empty otherwise."""

    entry: Entry | None = None
    note: str = ""


def open_cycle(ask: Ask, bank: str) -> OpenCycle:
    """What is open of a bank's cycle ledger. Raises StoreError."""
    record = ask.record
    sessions = record.sessions()
    revisions = record.revisions(bank)
    if not revisions:
        return OpenCycle(note="The service has not looked at these readings yet.")
    fingerprint, _ = ledger_fingerprint(ask.site, bank, sessions)
    if revisions[-1].fingerprint != fingerprint:
        return OpenCycle(note="The settings are not those of this ledger; the service brings it up to date.")
    try:
        stored = record.checkpoint(bank, revisions[-1].id)
    except StoreDamaged as damage:
        return OpenCycle(note=f"The open cycle cannot be told: {damage}")
    if stored is None:
        return OpenCycle(note="The service has not looked at these readings yet.")
    position, state = stored
    axes = axes_of(sessions)
    # The log book does not matter here: it moves findings, never the ledgers.
    fold = BankFold(plan_of(ask.site, bank, record.series(), sessions, revisions))
    fold.load(state)
    windows = list(islice(record.windows(bank, position), MOST_HOURS + 1))
    if len(windows) > MOST_HOURS:
        return OpenCycle(note="The ledger is hours behind the readings; the open cycle is told when it has caught up.")
    found = [
        one
        for window in windows
        if window.session in axes
        for one in fold.push(axes[window.session], window.blocks).entries
    ]
    cycles = [one for one in (*found, *fold.view().entries) if one.ledger is LedgerName.CYCLES]
    return OpenCycle(cycles[-1] if cycles and not cycles[-1].complete else None)
