"""Entries of the log book in words."""

from __future__ import annotations

from collections.abc import Iterator

from loggerd.model.channels import parse_channel
from loggerd.model.hydrometer import GravityRound
from loggerd.model.log_book import LogEntry, LogValue
from loggerd.model.log_kinds import LOG_KINDS, Form, LogField, LogKind, log_kind

_MOST_ONE_BY_ONE = 4


def kind_words(name: str) -> str:
    """What a kind is called."""
    return next((one.words for one in LOG_KINDS if one.name == name), name.replace("_", " "))


def value_words(one: LogField, value: LogValue, unit: str = "") -> str:
    """A value with its unit."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value.replace("_", " ") if one.form is Form.CHOICE else value
    return f"{value:.{one.decimals}f} {unit or one.unit}".strip()


def entry_words(entry: LogEntry) -> str:
    """What an entry says, on one line."""
    try:
        kind = log_kind(entry.kind)
    except KeyError:
        parts = [f"{name}: {value}" for name, value in entry.data.items()]
    else:
        parts = list(_parts(kind, entry))
    return "; ".join([*parts, *([entry.text] if entry.text else [])])


def _parts(kind: LogKind, entry: LogEntry) -> Iterator[str]:
    for one in kind.fields:
        if one.each:
            yield from _numbered(one, entry.by_number(one.each, one.end))
        elif one.name in entry.data:
            value = entry.data[one.name]
            if one.form is Form.READING:
                yield f"{one.name}: {value:.3f} {parse_channel(str(entry.data['channel'])).quantity.value}"
            else:
                yield f"{one.name.replace('_', ' ')}: {value_words(one, value)}"


def _numbered(one: LogField, values: dict[int, float]) -> Iterator[str]:
    """Few of them one by one; of many, how far they reach."""
    if not values:
        return
    if len(values) <= _MOST_ONE_BY_ONE:
        yield ", ".join(f"{one.each} {number}: {value_words(one, value)}" for number, value in values.items())
        return
    lowest, highest = min(values, key=lambda n: values[n]), max(values, key=lambda n: values[n])
    low, high = value_words(one, values[lowest]), value_words(one, values[highest])
    yield f"{len(values)} {one.each}s: {low} ({one.each} {lowest}) to {high} ({one.each} {highest})"


def round_words(judged: GravityRound, reference_celsius: float) -> str:
    """What a hydrometer round says, and by which rule."""
    at = f"at {reference_celsius:g} °C"
    if len(judged.uncorrected) == len(judged.gravities):
        at = "as read (no temperature was told)"
    elif judged.uncorrected:
        left = ", ".join(str(cell) for cell in judged.uncorrected)
        at = f"{at}, without cells {left}, whose temperature was not told"
    if judged.spread is None:
        return f"specific gravity {at}: {judged.gravities[judged.lowest_cell]:.3f}"
    low, high = (judged.gravities[cell] for cell in (judged.lowest_cell, judged.highest_cell))
    verdict = "too far apart" if judged.wide else "near enough to each other"
    return (
        f"specific gravity {at}: {low:.3f} (cell {judged.lowest_cell}) to {high:.3f} (cell {judged.highest_cell}),"
        f" {judged.spread:.3f} apart: {verdict} by the {judged.rule}"
    )


def kinds_lines(kind: LogKind) -> Iterator[str]:
    """A kind with its fields, for a keeper who asks what can be told."""
    yield f"{kind.name}: {kind.explanation}"
    for one in kind.fields:
        needed = ", needed" if one.required else ""
        yield f"  {one.shown}: {one.words}{needed} ({_range_words(one)})"
    if kind.one_of:
        yield f"  at least one of {', '.join(kind.field(name).shown for name in kind.one_of)}"
    yield "  text: what is to be written down, needed" if kind.needs_text else "  text: any words"


def _range_words(one: LogField) -> str:
    if one.form is Form.CHOICE:
        return ", ".join(one.choices)
    if one.form is Form.NUMBER:
        unit = f" {one.unit}" if one.unit else ""
        return f"{one.low:.{one.decimals}f} to {one.high:.{one.decimals}f}{unit}"
    if one.form is Form.WHOLE and not one.most:
        return f"{one.low:.0f} to {one.high:.0f}"
    return str(one.form.value)
