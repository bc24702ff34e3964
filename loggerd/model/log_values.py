"""What a keeper typed to the values of an entry: all faults at once, in words."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import TypeAlias

from loggerd.model.bank import Bank
from loggerd.model.channels import Quantity, parse_channel
from loggerd.model.log_book import LogValue, number_within, numbered
from loggerd.model.log_kinds import LOG_KINDS, Form, LogField, LogKind, log_kind
from loggerd.model.log_units import read_number

MOST_CHARACTERS = 500
AHEAD_MS = 600_000
"""How far the time told may lie ahead of the clock."""
_YES = {"yes": True, "y": True, "true": True, "1": True, "no": False, "n": False, "false": False, "0": False}
_Read: TypeAlias = Callable[[], LogValue]
_POINTS = (1000.0, 1400.0)
"""A specific gravity may be written in points of a thousandth: 1265 for 1.265."""


@dataclass
class CheckedValues:
    """Values in the units of the catalogue, or what is wrong with them. `text` are the free words."""

    data: dict[str, LogValue] = field(default_factory=dict)
    text: str = ""
    faults: list[str] = field(default_factory=list)


def check_values(kind_name: str, bank: Bank, given: Mapping[str, str]) -> CheckedValues:
    """Check what was typed for an entry of a kind; `given` maps names (and "text") to what was typed."""
    try:
        kind = log_kind(kind_name)
    except KeyError:
        names = ", ".join(one.name for one in LOG_KINDS)
        return CheckedValues(faults=[f'kind: found "{kind_name}"; expected one of {names}'])
    found = CheckedValues()
    for name, typed in given.items():
        if name == "text":
            _take(found, "text", typed, partial(_plain, typed))
        else:
            _check_one(found, kind, bank, name, typed, given)
    found.text = str(found.data.pop("text", ""))
    _check_whole(found, kind, given)
    order = {name: place for place, name in enumerate(_names_in_order(kind, bank))}
    found.data = dict(sorted(found.data.items(), key=lambda item: order[item[0]]))
    return found


def _names_in_order(kind: LogKind, bank: Bank) -> list[str]:
    names = []
    for one in kind.fields:
        count = count_of(bank, one.each)
        names += [numbered(one.each, n + 1, one.end) for n in range(count)] if one.each else [one.name]
    return names


def _check_one(
    found: CheckedValues, kind: LogKind, bank: Bank, name: str, typed: str, given: Mapping[str, str]
) -> None:
    for one in kind.fields:
        if one.each and name == one.many:
            _check_row(found, one, bank, typed)
            return
        number = number_within(name, one.each, one.end) if one.each else None
        if number is not None:
            most = count_of(bank, one.each)
            if number > most:
                found.faults.append(f'{name}: bank "{bank.name}" has {one.each}s 1 to {most}')
            else:
                _take(found, name, typed, partial(_value, one, bank, typed, given))
            return
        if not one.each and name == one.name:
            _take(found, name, typed, partial(_value, one, bank, typed, given))
            return
    known = ", ".join([*(one.shown for one in kind.fields), "text"])
    found.faults.append(f"{name}: {kind.name} has no such value; expected {known}")


def _check_row(found: CheckedValues, one: LogField, bank: Bank, typed: str) -> None:
    """All of them in a row, from the first; a dash stands for one that was left out."""
    parts = [part for part in re.split(r"[\s;/]+", typed.strip()) if part]
    most = count_of(bank, one.each)
    if len(parts) != most:
        found.faults.append(
            f'{one.many}: found {len(parts)} values; expected {most}, one for each {one.each} of bank "{bank.name}",'
            " with spaces between (- for one left out)"
        )
        return
    for number, part in enumerate(parts, 1):
        if part != "-":
            _take(found, numbered(one.each, number, one.end), part, partial(_value, one, bank, part, {}))


def _take(found: CheckedValues, name: str, typed: str, read: _Read) -> None:
    if name in found.data:
        found.faults.append(f"{name}: told twice")
        return
    try:
        found.data[name] = read()
    except ValueError as error:
        shown = typed if len(typed) <= 40 else f"{typed[:40]}..."
        found.faults.append(f'{name}: found "{shown}"; expected {error}')


def _value(one: LogField, bank: Bank, typed: str, given: Mapping[str, str]) -> LogValue:
    """Raises ValueError with what is expected."""
    if one.form is Form.TEXT:
        return _plain(typed, least=1)
    if one.form is Form.YES_NO:
        if typed.strip().lower() not in _YES:
            raise ValueError("yes or no")
        return _YES[typed.strip().lower()]
    if one.form is Form.CHOICE:
        if typed.strip().lower() not in one.choices:
            raise ValueError(f"one of {', '.join(one.choices)}")
        return typed.strip().lower()
    if one.form is Form.CHANNEL:
        return _channel(bank, typed)
    if one.form is Form.READING:
        return _reading(bank, typed, given)
    return _number(one, bank, typed)


def _number(one: LogField, bank: Bank, typed: str) -> float:
    high = float(count_of(bank, one.most)) if one.most else one.high
    number = read_number(typed, one.unit)
    if one.name == "cell" and _POINTS[0] <= number <= _POINTS[1]:
        number = round(number / 1000, 6)
    if one.form is Form.WHOLE and number != int(number):
        raise ValueError(f"a whole number from {one.low:.0f} to {high:.0f}")
    if not one.low <= number <= high:
        unit = f" {one.unit}" if one.unit else ""
        raise ValueError(f"{one.low:.{one.decimals}f} to {high:.{one.decimals}f}{unit}")
    return number


def _channel(bank: Bank, typed: str) -> str:
    name = typed.strip()
    channel = parse_channel(name)
    most = {"block": bank.blocks, "string": bank.strings}.get(name.split("_")[0], 0)
    if channel.number > most:
        raise ValueError(f'a channel of bank "{bank.name}", which has {bank.blocks} blocks in {bank.strings} string(s)')
    if channel.quantity not in (Quantity.VOLTS, Quantity.AMPS):
        raise ValueError("a channel that measures volts or amps")
    return channel.name


def _reading(bank: Bank, typed: str, given: Mapping[str, str]) -> float:
    """A reading in the unit of its channel. What is wrong with the channel is told of the channel."""
    try:
        quantity = parse_channel(_channel(bank, given.get("channel", ""))).quantity
    except ValueError:
        quantity = Quantity.AMPS if "a" in typed.lower() else Quantity.VOLTS
    number = read_number(typed, quantity.value)
    most = 2.0 * bank.nominal_volts if quantity is Quantity.VOLTS else 10.0 * bank.rated_amp_hours
    if abs(number) > most:
        raise ValueError(f"at most {most:g} {quantity.value} for this bank")
    return number


def _plain(typed: str, least: int = 0) -> str:
    text = typed.strip()
    if not least <= len(text) <= MOST_CHARACTERS or not all(one.isprintable() for one in text):
        raise ValueError(f"text on one line, at most {MOST_CHARACTERS} characters")
    return text


def _check_whole(found: CheckedValues, kind: LogKind, given: Mapping[str, str]) -> None:
    """What must be told and was not. A value that was told wrong counts as told."""
    told = set(found.data) | set(given)
    for one in kind.fields:
        if one.required and not _told(one, told):
            found.faults.append(f"{one.shown}: missing; expected {one.words}")
    if kind.one_of and not any(_told(kind.field(name), told) for name in kind.one_of):
        shown = ", ".join(kind.field(name).shown for name in kind.one_of)
        found.faults.append(f"missing; expected at least one of {shown}")
    if kind.needs_text and not given.get("text", "").strip():
        found.faults.append('text: missing; expected what is to be written down, such as text="..."')


def _told(one: LogField, names: set[str]) -> bool:
    if not one.each:
        return one.name in names
    return one.many in names or any(number_within(name, one.each, one.end) for name in names)


def happened_fault(told_ms: int, now_ms: int) -> str:
    """What is expected of the time that an entry tells of; "" for one that it can be."""
    return "" if 0 <= told_ms <= now_ms + AHEAD_MS else "a time that has passed, and not before 1970"


def count_of(bank: Bank, each: str) -> int:
    """How many cells or blocks a bank has."""
    return bank.blocks * bank.cells_per_block if each == "cell" else bank.blocks


def typed_again(data: Mapping[str, LogValue], text: str = "") -> dict[str, str]:
    """Values as they could have been typed: check_values gives the same values again."""
    typed = {name: _typed(value) for name, value in data.items()}
    return {**typed, "text": text} if text else typed


def _typed(value: LogValue) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value if isinstance(value, str) else f"{value:.9f}".rstrip("0").rstrip(".")
