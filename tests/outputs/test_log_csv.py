"""The log book as CSV, opened in a spreadsheet: nothing that somebody wrote is run there."""

from __future__ import annotations

import csv
import io

import pytest

from loggerd.model.log_book import LogEntry
from loggerd.outputs.log_book import write_log_csv
from loggerd.store.record import TakenIn


def row_of(who: str, text: str, **data: float | bool | str) -> dict[str, str]:
    entry = LogEntry("0123456789", "house", "note", 1_789_000_000_000, who, data, text, None)
    to = io.StringIO()
    write_log_csv([TakenIn(entry, 1, 2, 1_789_000_000_000)], {}, to)
    (row,) = csv.DictReader(io.StringIO(to.getvalue()))
    return row


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1+1", "@SUM(A1)"])
def test_text_that_begins_like_a_formula_is_text(text: str) -> None:
    """The signs are those of OWASP, "CSV Injection"."""
    row = row_of(text, text, meter=text)
    assert [row[name] for name in ("who", "text", "meter")] == [f"'{text}"] * 3


def test_numbers_stay_numbers_and_other_text_stays_as_it_was() -> None:
    row = row_of("anna", "1 = 1; a-b", amps=-4.5, done=True)
    assert (row["who"], row["text"], row["amps"], row["done"]) == ("anna", "1 = 1; a-b", "-4.5", "yes")
