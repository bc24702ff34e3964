"""The log book as CSV and JSON. Loops over the entries' values; knows none by name."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, TextIO

from loggerd.model.log_book import LogEntry, corrections
from loggerd.outputs.ledger_json import utc_text
from loggerd.store.record import TakenIn

_FORMULA = ("=", "+", "-", "@")
"""What a spreadsheet takes for the beginning of a formula (OWASP, "CSV Injection")."""
_HEAD = ("uid", "bank", "happened", "taken_in", "who", "kind", "text", "corrects", "corrected_by")


def log_values(taken: TakenIn, corrected: Mapping[str, str]) -> dict[str, Any]:
    """An entry as a flat table. `corrected`: uid of the entry that holds instead, by uid."""
    one = taken.entry
    return {
        "uid": one.uid,
        "bank": one.bank,
        "happened": utc_text(one.happened_at_ms),
        "taken_in": utc_text(taken.wall_ms),
        "who": one.who,
        "kind": one.kind,
        "text": one.text,
        "corrects": one.corrects,
        "corrected_by": corrected.get(one.uid),
        "data": dict(one.data),
    }


def corrected_among(found: Iterable[TakenIn], correcting: Iterable[TakenIn]) -> dict[str, str]:
    """Of these entries those that no longer hold: uid of the one that holds instead, by uid. `correcting`: all
    entries that correct one."""
    every = {one.id: one.entry for one in (*found, *correcting)}
    return corrections(every[number] for number in sorted(every))


def log_document(log: Sequence[TakenIn], corrected: Mapping[str, str]) -> dict[str, Any]:
    """Everything as one JSON-able value."""
    return {"log": [log_values(taken, corrected) for taken in log]}


def write_log_csv(log: Sequence[TakenIn], corrected: Mapping[str, str], to: TextIO) -> None:
    """A row for each entry, a column for each value that any of them has.

    Text that a spreadsheet would run as a formula has an apostrophe before it; numbers stay numbers.
    """
    names = list(dict.fromkeys(name for taken in log for name in taken.entry.data))
    writer = csv.writer(to, lineterminator="\n")
    writer.writerow([*_HEAD, *names])
    for taken in log:
        values = log_values(taken, corrected)
        cells = [_text(values[name] or "") for name in _HEAD]
        writer.writerow([*cells, *(_cell(taken.entry, name) for name in names)])


def _cell(entry: LogEntry, name: str) -> str:
    value = entry.data.get(name)
    if value is None or isinstance(value, str):
        return _text(value or "")
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.9f}".rstrip("0").rstrip(".")


def _text(text: str) -> str:
    return f"'{text}" if text.startswith(_FORMULA) else text
