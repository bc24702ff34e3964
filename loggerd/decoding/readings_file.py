"""Files of past readings: blocks of delimited text to columns of raw counts in strictly rising time.

Regular lines and plain numbers are read in bulk (csv_cells, csv_times); what is quoted, odd or damaged is
read one by one, with the same result where it can be read at all. A damaged row never stops the reading: it
is left out, counted, and the first ones are named. A damaged cell only costs its own value.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from datetime import tzinfo

import numpy as np

from loggerd.decoding.csv_cells import Cells, Flags, counts_of_cells, find_cells
from loggerd.decoding.csv_header import Column, Header, UnusableFile
from loggerd.decoding.csv_times import END_OF_TIMES_MS, LocalTimes, time_from_text, times_of_cells
from loggerd.decoding.decimal_text import count_from_text, steps_per_unit
from loggerd.decoding.time_order import TimeOrder
from loggerd.model.channels import MISSING
from loggerd.model.scan import Integers

LISTED_LINES = 20
_JUDGED_FROM_ROWS = 1_000
_MISSING_WORDS = frozenset({"", "-", "--", "---", "nan", "na", "n/a", "null", "none"})
_TIME_EXPECTED = "a time such as 2026-05-01T12:00:00Z, or epoch seconds, from 1970 to 2099"


@dataclass(frozen=True)
class LineFault:
    """A line (from 1) of which something was not taken, and why."""

    line: int
    why: str


@dataclass
class Tally:
    """Running counts of one file. Lists of lines hold the first LISTED_LINES."""

    rows: int = 0
    bad_rows: int = 0
    """Left out: no time, or the wrong number of cells."""
    bad_cells: int = 0
    """Neither a number nor empty: taken as missing."""
    rows_with_bad_cells: int = 0
    faults: list[LineFault] = field(default_factory=list)

    def bad_row(self, line: int, why: str) -> None:
        self.bad_rows += 1
        self.note(line, why)

    def note(self, line: int, why: str) -> None:
        if len(self.faults) < LISTED_LINES:
            self.faults.append(LineFault(line, why))


@dataclass(frozen=True)
class Columns:
    """Rows in the order of the file: an order that strictly rises [ms], which is the row's time except where that
    does not rise; the time itself, in epoch milliseconds; and counts for each column of the header.
    """

    order_ms: Integers
    times_ms: Integers
    counts: tuple[Integers, ...]


class ReadingsParser:
    """Reads the lines after the header, block by block. `first_line` is the number of the first of them
    (from 1).

    `timezone` is where local times, written without an offset, belong; without one they are refused.
    """

    def __init__(self, header: Header, timezone: tzinfo | None, first_line: int = 2) -> None:
        self.header = header
        self.tally = Tally()
        self.order = TimeOrder(len(header.columns))
        self.local = LocalTimes(timezone) if timezone is not None else None
        self._next_line = first_line
        self._steps = [steps_per_unit(column.resolution) for column in header.columns]

    def push(self, block: bytes) -> Columns:
        """Rows of a block of whole lines. Raises UnusableFile when more than half of the rows so far were
        bad.
        """
        if not block.endswith(b"\n"):
            block += b"\n"
        cells = find_cells(block, self.header.delimiter.encode(), self.header.width)
        rows = _Rows(len(cells), len(self.header.columns), self._next_line)
        self._next_line += len(cells)
        self._read_regular(cells, rows)
        self._read_odd(cells, rows)
        self._place_local(rows)
        self._refuse_far(rows)
        self.tally.rows += int(np.count_nonzero(~rows.blank))
        taken = self.order.push(rows.times[rows.good], [column[rows.good] for column in rows.counts], rows.lines())
        self._judge(_JUDGED_FROM_ROWS)
        return Columns(*taken)

    def finish(self) -> Columns:
        """The last row. Raises UnusableFile when there was no row, or more than half were bad."""
        taken = self.order.finish()
        if self.local is not None:
            self.local.finish()
        if not self.tally.rows:
            raise UnusableFile(self._next_line, "no readings", "at least one line after the header")
        self._judge(1)
        return Columns(*taken)

    def _judge(self, from_rows: int) -> None:
        tally, order = self.tally, self.order
        if tally.rows < from_rows:
            return
        unread = tally.bad_rows + tally.rows_with_bad_cells
        if 2 * unread > tally.rows:
            fault = tally.faults[0]
            raise UnusableFile(fault.line, f"{fault.why} ({unread} bad rows of {tally.rows})", "most rows readable")
        if 2 * (order.backward + order.repeated) > tally.rows:
            found = f"{order.backward} times running backward and {order.repeated} repeated in {tally.rows} rows"
            line = min([*order.backward_lines, *order.repeated_lines])
            raise UnusableFile(line, found, "rows in order of time, the oldest first")

    # -- regular lines --

    def _read_regular(self, cells: Cells, rows: _Rows) -> None:
        starts, ends = cells.column(self.header.time)
        times, local, read = times_of_cells(cells, starts, ends)
        rows.times[cells.regular] = times
        rows.is_local[cells.regular] = local
        rows.good[cells.regular] = read
        for number in np.flatnonzero(~read):
            line = int(cells.regular[number])
            text = cells.text[starts[number] : ends[number]].tobytes().decode("latin-1")
            if text or cells.line(line).strip(self.header.delimiter.encode() + b" "):
                self._set_time(rows, line, text)
            else:
                rows.blank[line] = True
        bad_lines: set[int] = set()
        for place, column in enumerate(self.header.columns):
            starts, ends = cells.column(column.number)
            counts, plain = counts_of_cells(cells, starts, ends, self._steps[place])
            for number in np.flatnonzero(~plain):
                text = cells.text[starts[number] : ends[number]].tobytes().decode("latin-1")
                counts[number] = self._odd_cell(rows, int(cells.regular[number]), column, text, bad_lines)
            rows.counts[place][cells.regular] = counts
        self.tally.rows_with_bad_cells += len(bad_lines)

    def _odd_cell(self, rows: _Rows, line: int, column: Column, text: str, bad_lines: set[int]) -> int:
        text = text.strip()
        if text.lower() in _MISSING_WORDS:
            return MISSING
        count = count_from_text(text, column.resolution)
        if count is not None:
            return count
        if rows.good[line]:
            self.tally.bad_cells += 1
            self.tally.note(rows.first_line + line, f'{text[:40]!a} in column "{column.name}" is not a number')
            bad_lines.add(line)
        return MISSING

    # -- lines that are quoted, blank or damaged --

    def _read_odd(self, cells: Cells, rows: _Rows) -> None:
        odd = np.ones(len(cells), np.bool_)
        odd[cells.regular] = False
        bad_lines: set[int] = set()
        for line in map(int, np.flatnonzero(odd)):
            text = cells.line(line).decode("latin-1")
            if not text.strip(self.header.delimiter + " \t"):
                rows.blank[line] = True
                continue
            parts = self._split(text)
            if len(parts) != self.header.width:
                found = f"{len(parts)} cells, not {self.header.width} as in the header"
                self.tally.bad_row(rows.first_line + line, found)
                continue
            self._set_time(rows, line, parts[self.header.time].strip())
            for place, column in enumerate(self.header.columns):
                rows.counts[place][line] = self._odd_cell(rows, line, column, parts[column.number], bad_lines)
        self.tally.rows_with_bad_cells += len(bad_lines)

    def _split(self, text: str) -> list[str]:
        try:
            return next(csv.reader([text], delimiter=self.header.delimiter))
        except csv.Error:
            return []

    # -- times --

    def _set_time(self, rows: _Rows, line: int, text: str) -> None:
        found = time_from_text(text)
        if found is None:
            self.tally.bad_row(rows.first_line + line, f"{text[:40]!a} is not {_TIME_EXPECTED}")
            return
        rows.times[line], rows.is_local[line] = found
        rows.good[line] = True

    def _place_local(self, rows: _Rows) -> None:
        self._refuse_far(rows)
        local = np.flatnonzero(rows.is_local & rows.good)
        if not len(local):
            return
        if self.local is None:
            line = rows.first_line + int(local[0])
            raise UnusableFile(line, "a time without an offset", "an offset, a Z, or a timezone for the file")
        rows.times[local], exists = self.local.to_utc(rows.times[local])
        self._refuse(rows, local[~exists], "local time does not exist: clocks were set forward over it")

    def _refuse_far(self, rows: _Rows) -> None:
        far = rows.good & ((rows.times < 0) | (rows.times >= END_OF_TIMES_MS))
        if far.any():
            self._refuse(rows, np.flatnonzero(far), f"time is not {_TIME_EXPECTED}")

    def _refuse(self, rows: _Rows, lines: Integers, why: str) -> None:
        for line in map(int, lines):
            rows.good[line] = False
            self.tally.bad_row(rows.first_line + line, why)


class _Rows:
    """One entry for each line of a block."""

    def __init__(self, lines: int, columns: int, first_line: int) -> None:
        self.first_line = first_line
        self.times: Integers = np.zeros(lines, np.int64)
        self.is_local: Flags = np.zeros(lines, np.bool_)
        self.good: Flags = np.zeros(lines, np.bool_)
        self.blank: Flags = np.zeros(lines, np.bool_)
        self.counts = [np.full(lines, MISSING) for _ in range(columns)]

    def lines(self) -> Integers:
        """Line numbers of the good rows."""
        return np.flatnonzero(self.good) + self.first_line
