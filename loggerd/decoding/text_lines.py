"""Text lines of serial instruments: from bytes to lines, and from a line to raw counts.

A line is one of three forms: a pattern with named groups, fields between delimiters, or key=value pairs. It
may end in a checksum. What does not fit is refused with a reason; what fits but is not a number is a
missing value.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from functools import cached_property
from typing import NamedTuple

from loggerd.decoding.decimal_text import count_from_text
from loggerd.model.channels import MISSING

LONGEST_LINE = 4096
"""Bytes. Longer lines are noise; the bound also limits what a badly written pattern can cost."""

_ANY_PAIR_SEPARATOR = re.compile(r"[;,\s]+")


class Checksum(Enum):
    """Checksum at the end of a line, written in hexadecimal digits."""

    NONE = "none"
    XOR_HEX = "xor_hex"
    """Exclusive-or of all bytes, two digits."""
    SUM_HEX = "sum_hex"
    """Low eight bits of the sum of all bytes, two digits."""
    CRC16_HEX = "crc16_hex"
    """The CRC-16 of Modbus over serial line (V1.02, 6.2.2), four digits, high byte first."""


class LineField(NamedTuple):
    """One value wanted from a line: the field's name, and the size of one count in the device's own unit."""

    name: str
    resolution: float


@dataclass(frozen=True)
class LineFormat:
    """How the lines of a device are written. Exactly one of `pattern`, `delimiter` and `key_value` is given.

    `pattern` is a regular expression that the whole line must match; its named groups are the fields.
    `delimiter` stands between the `fields`, named in their order ("" for one that is not wanted); their
    number must be right. With `key_value`, pairs stand between `pair_separator` (None: spaces, commas,
    semicolons) and each has `key_separator` between key and value. `start` is a mark that begins every line
    and is not under the checksum; the checksum stands after the last `checksum_separator` and covers
    everything between the two. In numbers a point and a comma both are decimal signs.

    Raises ValueError, saying what is wrong, for a description that cannot be used.
    """

    pattern: str | None = None
    delimiter: str | None = None
    fields: tuple[str, ...] = ()
    key_value: bool = False
    pair_separator: str | None = None
    key_separator: str = "="
    checksum: Checksum = Checksum.NONE
    checksum_separator: str = "*"
    start: str = ""
    encoding: str = "ascii"
    longest: int = LONGEST_LINE

    def __post_init__(self) -> None:
        _check_form(self)
        if self.pattern is not None:
            _check_pattern(self.pattern)
        if self.delimiter is not None:
            _check_delimited(self.delimiter, self.fields)
        try:
            codecs.lookup(self.encoding)
            self.checksum_separator.encode(self.encoding)
            self.start.encode(self.encoding)
        except (LookupError, UnicodeError) as error:
            raise ValueError(f"encoding {self.encoding!r} cannot be used: {error}") from None

    @cached_property
    def compiled(self) -> re.Pattern[str]:
        """The pattern, ready to match."""
        return re.compile(self.pattern or "", re.ASCII)

    def names(self) -> tuple[str, ...] | None:
        """The fields that can be asked for; None when any key may come (key=value)."""
        if self.pattern is not None:
            return tuple(self.compiled.groupindex)
        return None if self.key_value else self.fields


def _check_form(line_format: LineFormat) -> None:
    forms = [line_format.pattern is not None, line_format.delimiter is not None, line_format.key_value]
    if sum(forms) != 1:
        raise ValueError("give exactly one of pattern, delimiter and key_value")
    if line_format.key_value and (not line_format.key_separator or line_format.pair_separator == ""):
        raise ValueError("the separators of key_value must not be empty")
    if line_format.checksum is not Checksum.NONE and not line_format.checksum_separator:
        raise ValueError("a checksum needs a separator in front of it")
    if not 1 <= line_format.longest <= LONGEST_LINE:
        raise ValueError(f"the longest line must be 1 to {LONGEST_LINE} bytes")


def _check_pattern(pattern: str) -> None:
    try:
        names = re.compile(pattern, re.ASCII).groupindex
    except (re.error, RecursionError, OverflowError) as error:
        raise ValueError(f"the pattern is not a regular expression: {error}") from None
    if not names:
        raise ValueError("the pattern needs named groups such as (?P<amps>...)")


def _check_delimited(delimiter: str, fields: tuple[str, ...]) -> None:
    if not delimiter:
        raise ValueError("the delimiter must not be empty")
    named = [name for name in fields if name]
    if not named:
        raise ValueError("a delimiter needs the names of the fields, in their order")
    if len(set(named)) != len(named):
        raise ValueError("two fields have the same name")


def parse_line(
    line_format: LineFormat, wanted: Sequence[LineField | tuple[str, float]], line: bytes
) -> tuple[int, ...]:
    """Raw counts of the wanted fields, in their order: value / resolution, to the nearest whole number.

    MISSING stands for a field that is absent or not a number. Raises ValueError with the reason when the
    line does not fit: too long, undecodable, wrong checksum, no match, a wrong number of fields, none of
    the wanted fields.
    """
    if len(line) > line_format.longest:
        raise ValueError(f"longer than {line_format.longest} bytes")
    body = _without_checksum(line_format, line)
    try:
        text = body.decode(line_format.encoding)
    except UnicodeError:
        raise ValueError(f"not {line_format.encoding} text: {_shown(body)}") from None
    values = _values(line_format, text)
    if not any(name in values for name, _ in wanted):
        raise ValueError(f"none of {', '.join(name for name, _ in wanted)} in {_shown(text)}")
    return tuple(_count(values.get(name), resolution) for name, resolution in wanted)


def _count(text: str | None, resolution: float) -> int:
    if text is None:
        return MISSING
    count = count_from_text(text.strip(), resolution)
    return MISSING if count is None else count


def _without_checksum(line_format: LineFormat, line: bytes) -> bytes:
    body = line
    if line_format.start:
        start = line_format.start.encode(line_format.encoding)
        body = line.lstrip()
        if not body.startswith(start):
            raise ValueError(f"does not begin with {line_format.start!r}: {_shown(line)}")
        body = body[len(start) :]
    if line_format.checksum is Checksum.NONE:
        return body
    body, separator, written = body.rpartition(line_format.checksum_separator.encode(line_format.encoding))
    if not separator:
        raise ValueError(f"no checksum in {_shown(line)}")
    right = checksum_digits(line_format.checksum, body)
    if written.strip().upper() != right:
        raise ValueError(f"wrong checksum {_shown(written)}, {right.decode()} would be right")
    return body


def checksum_digits(checksum: Checksum, body: bytes) -> bytes:
    """The checksum of `body` as upper-case hexadecimal digits; empty for Checksum.NONE."""
    match checksum:
        case Checksum.XOR_HEX:
            total = 0
            for byte in body:
                total ^= byte
            return b"%02X" % total
        case Checksum.SUM_HEX:
            return b"%02X" % (sum(body) & 0xFF)
        case Checksum.CRC16_HEX:
            return b"%04X" % _crc16(body)
        case _:
            return b""


def _crc16(body: bytes) -> int:
    crc = 0xFFFF
    for byte in body:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc


def _values(line_format: LineFormat, text: str) -> dict[str, str | None]:
    if line_format.pattern is not None:
        match = line_format.compiled.fullmatch(text.strip())
        if match is None:
            raise ValueError(f"does not match the pattern: {_shown(text)}")
        return match.groupdict()
    if line_format.delimiter is not None:
        parts = text.split(line_format.delimiter)
        if len(parts) != len(line_format.fields):
            raise ValueError(f"has {len(parts)} fields, not {len(line_format.fields)}: {_shown(text)}")
        return dict(zip(line_format.fields, parts, strict=True))
    return _pairs(line_format, text)


def _pairs(line_format: LineFormat, text: str) -> dict[str, str | None]:
    if line_format.pair_separator is None:
        parts = _ANY_PAIR_SEPARATOR.split(text)
    else:
        parts = text.split(line_format.pair_separator)
    values: dict[str, str | None] = {}
    for part in parts:
        if not part.strip():
            continue
        key, separator, value = part.partition(line_format.key_separator)
        key = key.strip()
        if not separator:
            raise ValueError(f"no {line_format.key_separator!r} in {_shown(part)}")
        if key in values:
            # Two lines that have run into each other, or a damaged key: either way not to be trusted.
            raise ValueError(f"{_shown(key)} comes twice")
        values[key] = value
    return values


def _shown(text: str | bytes) -> str:
    """Text of a device, safe to print: quoted, escaped, short."""
    if isinstance(text, bytes):
        text = text.decode("latin-1")
    return ascii(text if len(text) <= 60 else text[:57] + "...")


class LineSplitter:
    """Cuts a stream of bytes into lines. CR, LF and both together end a line; empty lines and NULs are left
    out.

    What comes before the first line end is part of a line whose beginning was missed, and is dropped. A
    line longer than `limit` is dropped whole and counted in `overlong`, so memory stays bounded whatever
    the device sends.
    """

    def __init__(self, limit: int = LONGEST_LINE) -> None:
        self.limit = limit
        self.overlong = 0
        self.dropped_bytes = 0
        self._rest = b""
        self._skipping = True

    def reset(self) -> None:
        """Begin anew after the port was opened again: the next bytes may be the middle of a line."""
        self._rest = b""
        self._skipping = True

    def push(self, data: bytes) -> list[bytes]:
        """Lines completed by `data`, without their ends."""
        *ended, rest = data.replace(b"\r", b"\n").replace(b"\0", b"").split(b"\n")
        lines = []
        for part in ended:
            if self._skipping:
                self.dropped_bytes += len(part)
            elif not self._too_long(part) and (line := self._rest + part):
                lines.append(line)
            self._rest = b""
            self._skipping = False
        if self._skipping:
            self.dropped_bytes += len(rest)
        elif self._too_long(rest):
            self._rest = b""
            self._skipping = True
        else:
            self._rest += rest
        return lines

    def _too_long(self, part: bytes) -> bool:
        length = len(self._rest) + len(part)
        if length <= self.limit:
            return False
        self.overlong += 1
        self.dropped_bytes += length
        return True
