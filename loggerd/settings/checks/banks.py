"""Banks against themselves and each other."""

from __future__ import annotations

from collections.abc import Iterator

from loggerd.settings.bank import BankSettings
from loggerd.settings.draft import Draft
from loggerd.settings.faults import Fault, show, value_at
from loggerd.settings.key_lines import KeyPath

_HIGHEST_POSITION = 999
_VOLTS_PER_CELL = 2.0
_HIGHEST_VOLTS = 1000.0


def check_names(draft: Draft) -> Iterator[Fault]:
    """No two banks of one name, capitals or not."""
    yield from same_names(draft.raw, "bank")


def same_names(raw: dict[str, object], key: str) -> Iterator[Fault]:
    """Faults for entries of an array of tables that have the name of an earlier one."""
    seen: dict[str, KeyPath] = {}
    entries = raw.get(key)
    for index, entry in enumerate(entries if isinstance(entries, list) else []):
        name = value_at(entry, ("name",))
        if not isinstance(name, str):
            continue
        path: KeyPath = (key, index, "name")
        first = seen.setdefault(name.casefold(), path)
        if first != path:
            yield Fault(path, f"{show(name)} for a second time", f"a name that no other {key} has", other=first)


def check_size(draft: Draft) -> Iterator[Fault]:
    """Cells against rated voltage, and sizes that no channel name can number."""
    for path, bank in draft.banks:
        yield from _rated_volts(path, bank)
        if bank.blocks > _HIGHEST_POSITION:
            found = f"{bank.strings} strings of {bank.blocks_per_string} blocks"
            yield Fault((*path, "blocks_per_string"), found, f"at most {_HIGHEST_POSITION} blocks in one bank")
        volts = _VOLTS_PER_CELL * bank.cells_in_series
        if volts > _HIGHEST_VOLTS:
            found = f"{bank.blocks_per_string} blocks of {bank.cells_per_block} cells in series ({volts:g} V)"
            yield Fault((*path, "blocks_per_string"), found, f"at most {_HIGHEST_VOLTS:g} V in series")


def _rated_volts(path: KeyPath, bank: BankSettings) -> Iterator[Fault]:
    volts = _VOLTS_PER_CELL * bank.cells_in_series
    if bank.rated_volts is not None and bank.rated_volts != volts:
        made_of = f"{bank.blocks_per_string} blocks of {bank.cells_per_block} cells in series"
        yield Fault(
            (*path, "rated_volts"),
            f"{bank.rated_volts:g}",
            f"{volts:g}, because {made_of} are {bank.cells_in_series} cells of 2 V (or another number of cells)",
        )
