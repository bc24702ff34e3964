"""The log book: what people did to a bank and measured by hand. Entries are never changed; a correction is an entry."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TypeAlias

from loggerd.model.ledger import Instant

LogValue: TypeAlias = float | bool | str
NOT_ENTERED = Instant(0, 0)


@dataclass(frozen=True)
class LogEntry:
    """One entry of the log book.

    `uid` names it for ever. `kind` and the names, units and ranges of `data` are in the catalogue LOG_KINDS; values
    are in its units. `happened_at_ms`: epoch milliseconds by the keeper's word, often long before it was told.
    `entered`: where on the analysis axis it was taken in. Findings know of it from there on, whatever it says of the
    past: what was found before stays as it was found. `corrects`: uid of the entry that it takes the place of.
    """

    uid: str
    bank: str
    kind: str
    happened_at_ms: int
    who: str
    data: Mapping[str, LogValue] = field(default_factory=dict)
    text: str = ""
    corrects: str | None = None
    entered: Instant = NOT_ENTERED

    def number(self, name: str) -> float | None:
        """The number of that name; None where it was not told."""
        value = self.data.get(name)
        return None if value is None or isinstance(value, str | bool) else float(value)

    def by_number(self, begin: str, end: str = "") -> dict[int, float]:
        """Numbers told one by one, such as cell_3 or cell_3_celsius: by("cell", "celsius") gives {3: ...}."""
        found: dict[int, float] = {}
        for name in self.data:
            number = number_within(name, begin, end)
            value = self.number(name)
            if number is not None and value is not None:
                found[number] = value
        return dict(sorted(found.items()))


def numbered(begin: str, number: int, end: str = "") -> str:
    """cell_3, or cell_3_celsius."""
    return f"{begin}_{number}_{end}" if end else f"{begin}_{number}"


def number_within(name: str, begin: str, end: str = "") -> int | None:
    """The number in a name that numbered() made; None of any other name."""
    tail = f"_{end}" if end else ""
    if not name.startswith(f"{begin}_") or not name.endswith(tail):
        return None
    middle = name[len(begin) + 1 : len(name) - len(tail)]
    return int(middle) if middle.isascii() and middle.isdecimal() and middle[0] != "0" and len(middle) < 6 else None


def corrections(entries: Iterable[LogEntry]) -> dict[str, str]:
    """uid of each entry that no longer holds: uid of the one that holds in its place. Entries as they were taken in.

    A correction of a correction takes the place of both, whichever of the two it names.
    """
    first: dict[str, str] = {}
    newest: dict[str, str] = {}
    for one in entries:
        root = one.uid if one.corrects is None else first.get(one.corrects, one.corrects)
        first[one.uid] = root
        newest[root] = one.uid
    return {uid: newest[root] for uid, root in first.items() if newest[root] != uid}


def holding(entries: Iterable[LogEntry]) -> list[LogEntry]:
    """The entries that hold: those that no later one corrects."""
    every = list(entries)
    gone = corrections(every)
    return [one for one in every if one.uid not in gone]
