"""Reads one TOML file of the keeper's, with the lines on which its keys stand."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path

from loggerd.errors import SettingsError, SettingsFault
from loggerd.settings.key_lines import KeyPath, key_lines, nearest_line

LARGEST_FILE = 4_000_000
"""Bytes. A larger file is not a settings file (somebody has named the record instead)."""

_POSITION = re.compile(r"(.*) \(at line (\d+), column (\d+)\)", re.DOTALL)
_SECRET_WORDS = re.compile(r"token|password|secret|credential|://[^/]*@", re.IGNORECASE)


@dataclass(frozen=True)
class Document:
    """A file that is valid TOML: its name as it is shown, its content, and the line of every key."""

    shown: str
    raw: dict[str, object]
    lines: dict[KeyPath, int]

    def line(self, path: KeyPath) -> int:
        """Line of the key, or of the nearest table around it."""
        return nearest_line(self.lines, path)


def read_document(path: Path) -> Document:
    """Read and parse. Raises SettingsError with the one fault that makes the file unreadable."""
    text = _text(path)
    try:
        raw = tomllib.loads(text)
        return Document(str(path), raw, key_lines(text))
    except tomllib.TOMLDecodeError as error:
        raise SettingsError([_syntax_fault(path, text, str(error))]) from None
    except RecursionError:
        raise _unusable(path, "lists or tables nested too deeply", "a TOML file of settings") from None
    except ValueError as error:
        # tomllib lets through what int() says of a number of thousands of digits.
        raise _unusable(path, f"something that is not TOML ({error})", "a TOML file of settings") from None


def _text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_FILE + 1)
    except FileNotFoundError:
        raise _unusable(path, "no such file", "a TOML file of settings") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise _unusable(path, f"a file that cannot be read ({reason})", "a TOML file of settings") from None
    if len(data) > LARGEST_FILE:
        raise _unusable(path, "a file of more than 4 MB", "a TOML file of settings")
    try:
        # Some editors put a byte order mark in front.
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        fault = SettingsFault(f"{path}, line {line}", "bytes that are not UTF-8 text", "a file saved as UTF-8 text")
        raise SettingsError([fault]) from None


def _unusable(path: Path, found: str, expected: str) -> SettingsError:
    return SettingsError([SettingsFault(str(path), found, expected)])


def _syntax_fault(path: Path, text: str, message: str) -> SettingsFault:
    match = _POSITION.fullmatch(message)
    if match is None:
        line = text.count("\n") + 1
        reason = message.removesuffix(" (at end of document)")
        return SettingsFault(f"{path}, line {line} or before", "something that is not TOML", f"valid TOML: {reason}")
    reason, line, column = match[1], int(match[2]), int(match[3])
    return SettingsFault(f"{path}, line {line}, column {column}", _shown_line(text, line), f"valid TOML: {reason}")


def _shown_line(text: str, line: int) -> str:
    lines = text.split("\n")
    content = lines[line - 1].strip() if line <= len(lines) else ""
    if not content:
        return "nothing more"
    if _SECRET_WORDS.search(content):
        return "a line that is not shown, because it may hold a secret"
    short = content if len(content) <= 60 else content[:57] + "..."
    return "".join(letter if letter.isprintable() else "?" for letter in short)
