"""Presets of limits by battery type, each with the source it comes from."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

from pydantic import Field, TypeAdapter, ValidationError

from loggerd.errors import SettingsError, SettingsFault
from loggerd.model.bank import BankType
from loggerd.settings.base import PlainText, Table
from loggerd.settings.document import Document, read_document
from loggerd.settings.shipped import shipped_path


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
