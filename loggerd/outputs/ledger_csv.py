"""Ledger entries as rows of CSV: a band takes two columns, names are as in JSON."""

from __future__ import annotations

import csv
import io
from collections.abc import Generator, Iterable, Mapping
from typing import Any

from loggerd.model.ledger import LedgerName
from loggerd.outputs.ledger_json import InstantText, entry_values
from loggerd.store.record import RecordReader

_ROWS = 200


def flat_row(values: Mapping[str, Any]) -> dict[str, Any]:
    """A row of JSON with each band in two columns."""
    cells: dict[str, Any] = {}
    for name, value in values.items():
        if isinstance(value, list):
            cells[f"{name}_low"], cells[f"{name}_high"] = value
        else:
            cells[name] = value
    return cells


def columns_of(rows: Iterable[Mapping[str, Any]]) -> list[str]:
    """The columns that any of the rows has, in the order in which they come."""
    return list(dict.fromkeys(name for row in rows for name in row))


def ledger_csv(
    reader: RecordReader, bank: str, ledger: LedgerName, span: tuple[int | None, int | None], text: InstantText
) -> Generator[str, None, None]:
    """The settled entries of a ledger, some hundred rows at a time. Raises StoreError.

    Looked through twice: the heading names what any entry has, and what comes in between is left for the next time.
    """
    last = 0

    def flat() -> Iterable[tuple[int, dict[str, Any]]]:
        for one in reader.entries(bank, ledger, None, *span):
            yield one.id, flat_row(entry_values(one.entry, text))

    names: dict[str, None] = {}
    for identity, row in flat():
        last = max(last, identity)
        names.update(dict.fromkeys(row))
    buffer = io.StringIO()
    writer = csv.DictWriter(buffer, list(names) or ["start", "end", "complete"], lineterminator="\n")
    writer.writeheader()
    for number, (identity, row) in enumerate(flat(), 1):
        if identity <= last:
            writer.writerow(row)
        if number % _ROWS == 0:
            yield buffer.getvalue()
            buffer.seek(0)
            buffer.truncate()
    yield buffer.getvalue()
