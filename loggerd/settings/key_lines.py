"""Finds the line on which each key of a TOML text stands, which tomllib does not tell.

A small scanner for text that tomllib has already accepted. It only follows the structure (headers, keys, strings,
arrays, inline tables) and does not read values.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from typing import TypeAlias

KeyPath: TypeAlias = tuple[str | int, ...]
"""Keys from the root of the file; a whole number counts the entries of an array of tables or a list from 0."""

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BASIC_STRING = re.compile(r'"(?:[^"\\\n]|\\.)*"')
_LITERAL_STRING = re.compile(r"'[^'\n]*'")
_LONG_BASIC_STRING = re.compile(r'"""(?:[^\\]|\\.)*?"""(?:""|"(?!"))?', re.DOTALL)
_LONG_LITERAL_STRING = re.compile(r"'''.*?'''(?:''|'(?!'))?", re.DOTALL)
_SCALAR = re.compile(r"[^,\]}#\n]+")
_STRINGS = {
    '"""': _LONG_BASIC_STRING,
    "'''": _LONG_LITERAL_STRING,
    '"': _BASIC_STRING,
    "'": _LITERAL_STRING,
}


def key_lines(text: str) -> dict[KeyPath, int]:
    """Line (from 1) of every table, key and list entry of a valid TOML text.

    Raises ValueError where the text is not what the scanner takes for TOML.
    """
    scanner = _Scanner(text)
    scanner.document()
    return scanner.lines


def nearest_line(lines: dict[KeyPath, int], path: KeyPath) -> int:
    """Line of the key, or of the nearest table around it that stands in the file, or 1."""
    for length in range(len(path), 0, -1):
        line = lines.get(path[:length])
        if line is not None:
            return line
    return 1


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[KeyPath, int] = {}
        self._newlines = [match.start() for match in re.finditer("\n", text)]
        self._entries: dict[KeyPath, int] = {}

    def document(self) -> None:
        table: KeyPath = ()
        self._skip(_BLANK)
        while self.at < len(self.text):
            if self.text[self.at] == "[":
                table = self._header()
            else:
                self._pair(table)
            self._skip(_BLANK)

    def _skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self.text, self.at)
        if match is None:
            raise ValueError(f"line {self._line()}: not understood")
        self.at = match.end()
        return match[0]

    def _take(self, literal: str) -> None:
        if not self.text.startswith(literal, self.at):
            raise ValueError(f"line {self._line()}: {literal!r} expected")
        self.at += len(literal)

    def _line(self) -> int:
        return bisect_right(self._newlines, self.at - 1) + 1

    def _note(self, path: KeyPath, line: int) -> None:
        self.lines.setdefault(path, line)

    def _header(self) -> KeyPath:
        line = self._line()
        brackets = 2 if self.text.startswith("[[", self.at) else 1
        self._take("[" * brackets)
        *outer, last = self._dotted_key()
        self._take("]" * brackets)
        path: KeyPath = ()
        for part in outer:
            path = self._newest((*path, part))
            self._note(path, line)
        path = (*path, last)
        self._note(path, line)
        if brackets == 2:
            self._entries[path] = self._entries.get(path, 0) + 1
            path = self._newest(path)
            self._note(path, line)
        return path

    def _newest(self, path: KeyPath) -> KeyPath:
        entries = self._entries.get(path)
        return path if entries is None else (*path, entries - 1)

    def _dotted_key(self) -> list[str]:
        parts = []
        while True:
            self._skip(_SPACE)
            parts.append(self._simple_key())
            self._skip(_SPACE)
            if not self.text.startswith(".", self.at):
                return parts
            self.at += 1

    def _simple_key(self) -> str:
        quote = self.text[self.at : self.at + 1]
        if quote not in {'"', "'"}:
            return self._skip(_BARE_KEY)
        # tomllib undoes the escapes of a quoted key.
        return next(iter(tomllib.loads(f"{self._skip(_STRINGS[quote])} = 0")))

    def _pair(self, table: KeyPath) -> None:
        line = self._line()
        path = table
        for part in self._dotted_key():
            path = (*path, part)
            self._note(path, line)
        self._take("=")
        self._skip(_SPACE)
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        start = self.text[self.at : self.at + 3]
        if start[:1] == "[":
            self._array(path)
        elif start[:1] == "{":
            self._inline_table(path)
        else:
            opening = start if start in _STRINGS else start[:1]
            self._skip(_STRINGS.get(opening, _SCALAR))

    def _array(self, path: KeyPath) -> None:
        self._take("[")
        self._skip(_BLANK)
        index = 0
        while not self.text.startswith("]", self.at):
            self._note((*path, index), self._line())
            self._value((*path, index))
            index += 1
            self._separator("]")
        self._take("]")

    def _inline_table(self, path: KeyPath) -> None:
        self._take("{")
        self._skip(_BLANK)
        while not self.text.startswith("}", self.at):
            self._pair(path)
            self._separator("}")
        self._take("}")

    def _separator(self, closing: str) -> None:
        self._skip(_BLANK)
        if not self.text.startswith(closing, self.at):
            self._take(",")
            self._skip(_BLANK)
