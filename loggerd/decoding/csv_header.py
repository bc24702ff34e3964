"""The first line of a file of readings: which column is the time, and which channel each other column
feeds.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass

from loggerd.model.channels import Channel, parse_channel

TIME = "time"
RESOLUTION = 0.001
"""Size of one count where none is given: millivolts, milliamps, thousandths of a degree, milliamp-hours."""

_DELIMITERS = (";", "\t", ",")


class UnusableFile(ValueError):  # noqa: N818 - says what it is about, as the error tree does
    """A file that cannot be taken: at which line (from 1), what was found there, what is expected."""

    def __init__(self, line: int, found: str, expected: str) -> None:
        self.line = line
        self.found = found
        self.expected = expected
        super().__init__(f"line {line}: found {found}; expected {expected}")


@dataclass(frozen=True)
class Column:
    """One column that feeds a channel. `number` counts from 0; `resolution` is the size of one count."""

    number: int
    name: str
    channel: Channel
    resolution: float


@dataclass(frozen=True)
class Header:
    """What the first line says. `width` is the number of columns, `ignored` the names of those not used."""

    delimiter: str
    width: int
    time: int
    columns: tuple[Column, ...]
    ignored: tuple[str, ...]


def read_header(line: str, mapped: Mapping[str, tuple[str, float]] | None) -> Header:
    """Read the header line; `mapped` gives channel (or "time") and resolution for names that are not
    channel names.

    With a mapping only the mapped columns are used, and a column called `time` unless another one is mapped
    to it. Raises UnusableFile when there is no time column, no channel, a channel twice or a mapped column
    not there.
    """
    for delimiter in _DELIMITERS:
        names = _split(line, delimiter)
        if len(names) > 1 and _time_columns(names, mapped):
            break
    else:
        raise UnusableFile(
            1, ascii(line[:80]), f'a header with a column "{_time_name(mapped)}", split by ";", tab or ","'
        )
    return _header(delimiter, names, mapped)


def _header(delimiter: str, names: list[str], mapped: Mapping[str, tuple[str, float]] | None) -> Header:
    times = _time_columns(names, mapped)
    columns: list[Column] = []
    ignored: list[str] = []
    for number, name in enumerate(names):
        if number in times:
            continue
        if (column := _column(number, name, mapped)) is None:
            ignored.append(name)
        else:
            columns.append(column)
    _check(names, columns, times, mapped)
    return Header(delimiter, len(names), times[0], tuple(columns), tuple(name for name in ignored if name))


def _split(line: str, delimiter: str) -> list[str]:
    try:
        return [name.strip() for name in next(csv.reader([line], delimiter=delimiter), [])]
    except csv.Error:
        return []


def _time_name(mapped: Mapping[str, tuple[str, float]] | None) -> str:
    return next((name for name, (channel, _) in (mapped or {}).items() if channel == TIME), TIME)


def _time_columns(names: list[str], mapped: Mapping[str, tuple[str, float]] | None) -> list[int]:
    wanted = _time_name(mapped).casefold()
    return [number for number, name in enumerate(names) if name.casefold() == wanted]


def _column(number: int, name: str, mapped: Mapping[str, tuple[str, float]] | None) -> Column | None:
    channel_name, resolution = name.lower(), RESOLUTION
    if mapped is not None:
        if name not in mapped:
            return None
        channel_name, resolution = mapped[name]
    try:
        return Column(number, name, parse_channel(channel_name), resolution)
    except ValueError as error:
        if mapped is None:
            return None
        raise UnusableFile(1, f'column "{name}" mapped to "{channel_name}"', str(error)) from None


def _check(
    names: list[str], columns: list[Column], times: list[int], mapped: Mapping[str, tuple[str, float]] | None
) -> None:
    shown = ", ".join(names)
    if len(times) > 1:
        raise UnusableFile(1, f'two columns "{names[times[0]]}"', "one")
    absent = [name for name, (channel, _) in (mapped or {}).items() if channel != TIME and name not in names]
    if absent:
        raise UnusableFile(1, f"the columns {shown}", f"also {', '.join(absent)}, as mapped")
    if not columns:
        raise UnusableFile(1, f"the columns {shown}", "at least one channel, such as volts, amps or block_1_volts")
    seen: dict[str, str] = {}
    for column in columns:
        if column.channel.name in seen:
            raise UnusableFile(
                1, f"{column.channel} in two columns, {seen[column.channel.name]} and {column.name}", "one"
            )
        seen[column.channel.name] = column.name
