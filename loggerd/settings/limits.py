"""Limits: presets by battery type, each with the source it comes from, and what the settings put in their place."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, AwareDatetime, Field, TypeAdapter, ValidationError

from loggerd.errors import SettingsError, SettingsFault
from loggerd.model.bank import BankType
from loggerd.settings.base import PlainText, Table
from loggerd.settings.document import Document, read_document
from loggerd.settings.shipped import shipped_path

LEDGER_LIMITS = frozenset({"full_tail_current_fraction", "full_volts_per_cell"})
"""Limits that the ledger itself takes; they have one value for all readings."""


class _LimitTable(Table):
    value: float
    unit: PlainText = Field(min_length=1)
    source: PlainText = Field(min_length=1)


_LIMITS = TypeAdapter(dict[str, _LimitTable])


@dataclass(frozen=True)
class Limit:
    """One limit: `value` in `unit`, and where it comes from."""

    name: str
    value: float
    unit: str
    source: str


@cache
def load_limits(bank_type: BankType) -> dict[str, Limit]:
    """The limits that come with loggerd for a type of battery, by name.

    Raises SettingsError when the file of limits is missing or damaged.
    """
    try:
        path = shipped_path(f"limits/{bank_type.value}.toml")
    except FileNotFoundError as error:
        fault = SettingsFault(str(error), "no such file", "the limits that come with loggerd; install it again")
        raise SettingsError([fault]) from None
    return read_limits(path)


def read_limits(path: Path) -> dict[str, Limit]:
    """The limits in one file, by name. Raises SettingsError."""
    document = read_document(path)
    try:
        tables = _LIMITS.validate_python(document.raw)
    except ValidationError as error:
        raise SettingsError([_fault(document, detail["loc"]) for detail in error.errors()]) from None
    return {name: Limit(name, table.value, table.unit, table.source) for name, table in tables.items()}


def _fault(document: Document, location: tuple[int | str, ...]) -> SettingsFault:
    where = f"{document.shown}, line {document.line(location)}, {'.'.join(map(str, location))}"
    return SettingsFault(where, "something else", "a table with value (a number), unit and source (texts)")


def _known_name(name: str) -> str:
    names = limit_names()
    if name not in names:
        near = difflib.get_close_matches(name, names, 3, 0.5)
        hint = f"; did you mean {' or '.join(near)}?" if near else ""
        raise ValueError(f'the name of a limit, as "loggerd limits" lists them{hint}')
    return name


@cache
def limit_names() -> tuple[str, ...]:
    """The names of all limits; every type of battery has the same. Raises SettingsError without the presets."""
    return tuple(load_limits(BankType.FLOODED_ANTIMONY))


class LimitSettings(Table):
    """[[bank.limit]]: a limit that replaces the preset, from the beginning or from an instant on."""

    name: Annotated[PlainText, AfterValidator(_known_name)] = Field(
        max_length=80, description='the name of a limit, as "loggerd limits" lists them'
    )
    value: float = Field(ge=-1e6, le=1e6, description='a number, in the unit that "loggerd limits" shows for the limit')
    source: PlainText = Field(
        min_length=1,
        max_length=500,
        description='text: where the value comes from, such as "data sheet of the blocks"',
    )
    since: AwareDatetime | None = Field(
        default=None,
        description="an instant with its time zone, such as 2026-05-01T00:00:00Z: the value holds from then on",
    )
