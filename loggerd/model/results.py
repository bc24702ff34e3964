"""What one push of a bank's fold settles."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from loggerd.model.finding import Finding
from loggerd.model.ledger import Entry, MarkSpan


@dataclass(frozen=True)
class FoldResults:
    """What one push of a bank's fold settled: complete entries, closed spans of marks, and findings that are new or
    changed, each in order of time.
    """

    entries: tuple[Entry, ...] = ()
    marks: tuple[MarkSpan, ...] = ()
    findings: tuple[Finding, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.entries or self.marks or self.findings)


def joined(parts: Iterable[FoldResults]) -> FoldResults:
    """All of them, one after the other."""
    every = list(parts)
    return FoldResults(
        tuple(entry for one in every for entry in one.entries),
        tuple(mark for one in every for mark in one.marks),
        tuple(finding for one in every for finding in one.findings),
    )
