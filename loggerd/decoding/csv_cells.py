"""Cells of delimited text found and read in bulk: whole blocks of lines as arrays of bytes, exact to the
last digit.

Only what is plain is read here (regular lines, plain decimal numbers); the caller reads the rest one by one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from loggerd.model.channels import MISSING
from loggerd.model.scan import Integers

Bytes: TypeAlias = npt.NDArray[np.uint8]
Flags: TypeAlias = npt.NDArray[np.bool_]

_PADDING = 64
"""Bytes after the text, so that looking a few places past the last cell stays inside."""
_LONGEST_NUMBER = 20
_MOST_DIGITS = 18  # 10**18 still fits into 64 bits
_ROOM = 2**62
_NEWLINE, _QUOTE, _SPACE, _MINUS, _PLUS = 10, 34, 32, 45, 43
_POINT_CODE, _OTHER_CODE = 10, 11


@dataclass(frozen=True)
class Cells:
    """Lines of one block of text, and the places of the cells of its regular lines.

    `starts`, `ends` delimit each line in `text`; `regular` are the numbers of the lines that have exactly
    the right number of cells and no quotes; `plain` has, byte for byte, the digit, 10 for a decimal sign,
    11 otherwise.
    """

    text: Bytes
    plain: Bytes
    starts: Integers
    ends: Integers
    regular: Integers
    _cuts: Integers

    def __len__(self) -> int:
        return len(self.starts)

    def column(self, number: int) -> tuple[Integers, Integers]:
        """Starts and ends of the cells of one column in the regular lines, without spaces around them."""
        starts = self._cuts[:, number] + 1
        ends = self._cuts[:, number + 1].copy()
        for _ in range(2):
            starts += (self.text[starts] == _SPACE) & (starts < ends)
            ends -= (self.text[ends - 1] == _SPACE) & (starts < ends)
        return starts, ends

    def line(self, number: int) -> bytes:
        """The bytes of one line."""
        return self.text[self.starts[number] : self.ends[number]].tobytes()


def find_cells(block: bytes, delimiter: bytes, columns: int) -> Cells:
    """Find lines and cells in a block of whole lines, each ended by a newline; carriage returns must be
    gone.
    """
    text = np.frombuffer(block + bytes(_PADDING), dtype=np.uint8)
    inner = text[: len(block)]
    is_newline = inner == _NEWLINE
    separators = np.flatnonzero(is_newline | (inner == delimiter[0]))
    of_lines = np.flatnonzero(is_newline[separators])
    ends = separators[of_lines]
    starts = np.concatenate((np.zeros(1, np.int64), ends[:-1] + 1)) if len(ends) else ends
    right = np.diff(of_lines, prepend=-1) == columns
    quotes = np.flatnonzero(inner == _QUOTE)
    right[np.searchsorted(ends, quotes)] = False
    right &= ends > starts
    regular = np.flatnonzero(right)
    cuts = np.empty((len(regular), columns + 1), np.int64)
    cuts[:, 0] = starts[regular] - 1
    cuts[:, 1:] = separators[of_lines[regular, None] + np.arange(1 - columns, 1)]
    return Cells(text, _codes(delimiter)[text], starts, ends, regular, np.asfortranarray(cuts))


def _codes(delimiter: bytes) -> Bytes:
    codes = np.full(256, _OTHER_CODE, np.uint8)
    codes[48:58] = np.arange(10)
    for sign in b".,":
        codes[sign] = _POINT_CODE
    codes[delimiter[0]] = _OTHER_CODE
    return codes


def counts_of_cells(cells: Cells, starts: Integers, ends: Integers, steps: tuple[int, int]) -> tuple[Integers, Flags]:
    """Counts of plain decimal numbers and empty cells (MISSING), and which cells were plain.

    `steps` are the counts in one unit as a fraction. Rounds to the nearest count, halves to the even one.
    """
    first = cells.text[starts]
    negative = (first == _MINUS) & (ends > starts)
    signed = negative | ((first == _PLUS) & (ends > starts))
    mantissa, places, plain = _digits(cells.plain, starts + signed, ends)
    counts, fits = _scaled(mantissa, places, steps)
    plain &= fits
    np.negative(counts, out=counts, where=negative)
    empty = starts == ends
    counts[empty] = MISSING
    return counts, plain | empty


def _digits(codes: Bytes, starts: Integers, ends: Integers) -> tuple[Integers, Integers, Flags]:
    """All digits as one whole number, the number of digits after the decimal sign, and whether nothing else
    was there.
    """
    widths = ends - starts
    longest = min(int(widths.max(initial=0)), _LONGEST_NUMBER)
    mantissa = np.zeros(len(starts), np.int64)
    places = np.zeros(len(starts), np.int64)
    digits = np.zeros(len(starts), np.int8)
    points = np.zeros(len(starts), np.int8)
    for place in range(longest):
        code = codes[starts + place]
        inside = widths > place
        is_digit = (code < _POINT_CODE) & inside
        np.multiply(mantissa, 10, out=mantissa, where=is_digit)
        np.add(mantissa, code, out=mantissa, where=is_digit)
        digits += is_digit
        places += is_digit & (points > 0)
        points += (code == _POINT_CODE) & inside
    plain = (digits > 0) & (digits <= _MOST_DIGITS) & (points <= 1) & (digits + points == widths)
    return mantissa, places, plain


def _scaled(mantissa: Integers, places: Integers, steps: tuple[int, int]) -> tuple[Integers, Flags]:
    """mantissa * 10**-places * steps, rounded, and where this could be done in 64 bits."""
    numerator, denominator = steps
    powers = [denominator * 10**power for power in range(_LONGEST_NUMBER + 1)]
    divisors = np.array([power if power < _ROOM else 0 for power in powers], np.int64)[places]
    fits = (mantissa <= _ROOM // numerator) & (mantissa >= 0) & (divisors > 0)
    dividends = np.where(fits, mantissa, 0) * min(numerator, _ROOM)
    divisors[~fits] = 1
    counts = dividends // divisors
    doubled = 2 * (dividends - counts * divisors)
    counts += (doubled > divisors) | ((doubled == divisors) & (counts & 1 == 1))
    return counts, fits
