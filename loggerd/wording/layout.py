"""What a mail is made of, before it becomes plain text or HTML."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Title:
    """Heads a part of the mail. `tone`: "critical", "high", "medium", "low" or "" (nothing wrong)."""

    text: str
    tone: str = ""
    above: str = ""
    """A short line over it."""


@dataclass(frozen=True)
class Heading:
    text: str


@dataclass(frozen=True)
class Paragraph:
    text: str
    small: bool = False


@dataclass(frozen=True)
class Points:
    items: tuple[str, ...]
    numbered: bool = False
    warning: bool = False


@dataclass(frozen=True)
class Facts:
    """Names and what they are."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Table:
    """Columns with short cells; the first is the name of its row, the others are numbers."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Link:
    label: str
    url: str


@dataclass(frozen=True)
class Image:
    """A picture that comes with the mail. `content_id`: without angle brackets."""

    content_id: str
    alt: str
    key: str = ""
    """What its signs mean, shown under it."""


Element = Title | Heading | Paragraph | Points | Facts | Table | Link | Image
