"""Entries and results."""

from __future__ import annotations

import pytest

from loggerd.model.ledger import Entry, Figure, Instant, LedgerName, MarkSpan
from loggerd.model.results import FoldResults

AT = Instant(1, 0)
ENTRY = Entry(LedgerName.CYCLES, "pair", AT, AT, True, (Figure("charge_factor", 1.1), Figure("depth", None)))


def test_a_figure_is_found_by_its_name() -> None:
    assert ENTRY.figure("charge_factor").value == 1.1
    with pytest.raises(KeyError, match="amp_hours"):
        ENTRY.figure("amp_hours")


def test_results_without_anything_are_nothing() -> None:
    assert not FoldResults()
    assert FoldResults(entries=(ENTRY,))
    assert FoldResults(marks=(MarkSpan("volts", 1, AT, AT, 1),))
