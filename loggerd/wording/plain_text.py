"""A mail as plain text: it carries everything, and is readable on an old telephone. Pictures are left out."""

from __future__ import annotations

import re
from collections.abc import Iterable

from loggerd.wording.layout import Element, Facts, Heading, Image, Link, Paragraph, Points, Table, Title

WIDTH = 72
_INDENT = "  "
_UNIT = re.compile(r"(?<=\d) (?=(?:%|°C|°F|(?:mV|V|A|Ah|h|g|min|mOhm)\b))")
_GLUE = "\0"
"""Holds a number and its unit on one line."""


def plain(elements: Iterable[Element]) -> str:
    """Lines of at most WIDTH letters, but for addresses of pages, which stand alone on theirs."""
    lines: list[str] = []
    headed = True
    for element in elements:
        told = _lines(element)
        if told and not headed:
            lines.append("")
        lines.extend(told)
        headed = isinstance(element, Heading) if told else headed
    return "\n".join(lines) + "\n"


def wrap(text: str, first: str = "", then: str = "", width: int = WIDTH) -> list[str]:
    """Lines of at most `width` letters. A word that is longer is cut. `first`, `then`: what lines begin with."""
    lines, line = [], first
    empty = True
    for glued in _UNIT.sub(_GLUE, " ".join(text.split())).split(" "):
        word = glued.replace(_GLUE, " ")
        if not empty and len(line) + 1 + len(word) > width:
            lines.append(line)
            line, empty = then, True
        line += word if empty else f" {word}"
        empty = False
        while len(line) > width:
            lines.append(line[:width])
            line = then + line[width:]
    return [*lines, line.rstrip()]


def _lines(element: Element) -> list[str]:  # noqa: PLR0911 - one for each kind of element
    match element:
        case Title(text, _, above):
            return ["=" * WIDTH, *(wrap(above) if above else []), *wrap(text), "=" * WIDTH]
        case Heading(text):
            return wrap(f"{text}:")
        case Paragraph(text):
            return wrap(text)
        case Points():
            return _points(element)
        case Facts(rows):
            return [line for name, value in rows for line in wrap(f"{name}: {value}", "", _INDENT)]
        case Table():
            return _table(element)
        case Link(label, url):
            return [*wrap(f"{label}:"), url]
        case Image():
            return []


def _points(points: Points) -> list[str]:
    lines = []
    for number, item in enumerate(points.items, 1):
        mark = f"{number}. " if points.numbered else "! " if points.warning else "- "
        lines.extend(wrap(item, _INDENT + mark, _INDENT + " " * len(mark)))
    return lines


def _table(table: Table) -> list[str]:
    rows = [table.head, *table.rows]
    widths = [max(len(row[column]) for row in rows) for column in range(len(table.head))]
    return ["  ".join(_cells(row, widths)).rstrip()[:WIDTH] for row in rows]


def _cells(row: tuple[str, ...], widths: list[int]) -> list[str]:
    """The first to the left, numbers to the right."""
    return [
        text.rjust(width) if column else text.ljust(width)
        for column, (text, width) in enumerate(zip(row, widths, strict=True))
    ]
