"""Faults inside the settings: which key, what stands there, what is wanted, in a keeper's words."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time

from loggerd.settings.key_lines import KeyPath

_LONGEST = 60
_NUMBERED = {"bank", "limit", "device", "channel", "correction", "keeper", "site"}
"""Arrays of tables: the number after them counts entries and is not part of the key."""


@dataclass(frozen=True)
class Fault:
    """One fault, not yet tied to a file and line. `other` is a second place that contradicts the first."""

    path: KeyPath
    found: str
    expected: str
    other: KeyPath | None = None


def value_at(raw: object, path: KeyPath) -> object:
    """What stands at a path, or None."""
    for step in path:
        if isinstance(raw, dict) and isinstance(step, str):
            raw = raw.get(step)
        elif isinstance(raw, list) and isinstance(step, int) and 0 <= step < len(raw):
            raw = raw[step]
        else:
            return None
    return raw


def key_path(path: KeyPath) -> KeyPath:
    """The path without the numbers of list entries at its end: the key that the keeper has to look at."""
    while path and isinstance(path[-1], int) and not (len(path) > 1 and path[-2] in _NUMBERED):
        path = path[:-1]
    return path


def show(value: object) -> str:
    """A value of the file, short and safe to print on one line."""
    if value is None:
        return "nothing"
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, list):
        return _shown_list(value)
    if isinstance(value, dict):
        return "a table" if value else "an empty table"
    return _shown_time(value) if isinstance(value, date | time) else _shown_number(value)


def _shown_number(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and abs(value) >= 10**24:
        return "a number of very many digits"
    return str(value)


def _shown_time(value: date | time) -> str:
    if isinstance(value, datetime):
        zone = "" if value.tzinfo else " (without a time zone)"
        return f"{value.isoformat(sep=' ')}{zone}"
    return f"{value.isoformat()} (not a full date and time)"


def _quoted(text: str) -> str:
    short = text if len(text) <= _LONGEST else text[: _LONGEST - 3] + "..."
    escaped = "".join(letter if letter.isprintable() else repr(letter)[1:-1] for letter in short)
    return f'the text "{escaped}"'


def _shown_list(entries: list[object]) -> str:
    if not entries:
        return "an empty list"
    plain = all(isinstance(entry, (str, int, float)) for entry in entries)
    shown = ", ".join(show(entry).removeprefix("the text ") for entry in entries[:8]) if plain else ""
    if plain and len(entries) <= 8 and len(shown) <= _LONGEST:
        return f"[{shown}]"
    return f"a list of {len(entries)}"


def in_words(raw: object, path: KeyPath) -> str:
    """A path as a keeper would say it: `[[device]] "shunt" channel "amps" key "scale"`."""
    words: list[str] = []
    keys: list[str] = []
    for position, step in enumerate(path):
        if isinstance(step, int):
            continue
        entry = path[position + 1] if position + 1 < len(path) else None
        last = position + 1 == len(path)
        if step in _NUMBERED and isinstance(entry, int):
            label = f"[[{step}]]" if position == 0 else step
            words.append(f"{label} {_entry_name(step, value_at(raw, path[: position + 2]), entry)}")
        elif position == 0:
            words.append(_top_level(step, value_at(raw, (step,)), last))
        elif step in {"connection", "lines"} and not last:
            words.append(step)
        else:
            keys.append(step)
    if keys:
        words.append(f'key "{".".join(keys)}"')
    return " ".join(words)


def _entry_name(kind: str, table: object, index: int) -> str:
    name = value_at(table, ("channel" if kind == "channel" else "name",))
    if kind != "correction" and isinstance(name, str) and name.isprintable() and 0 < len(name) <= _LONGEST:
        return f'"{name}"'
    return f"number {index + 1}"


def _top_level(key: str, value: object, last: bool) -> str:
    if value is None and key in {"bank", "device", "keeper"}:
        return f"[[{key}]]"
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return f"[[{key}]]"
    if isinstance(value, dict) or value is None or not last:
        return f"[{key}]"
    return f'key "{key}"'
