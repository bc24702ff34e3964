"""Files of past readings on disk, or standard input: old logs, to be read in once or replayed.

The first line names the columns: `time` and channel names, or names that are mapped to channels. Columns
stand between commas, semicolons or tabs; a decimal comma is understood; charge current is positive.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import tzinfo
from fractions import Fraction
from pathlib import Path
from typing import BinaryIO

import numpy as np

from loggerd.decoding.csv_header import Header, UnusableFile, read_header
from loggerd.decoding.readings_file import Columns, LineFault, ReadingsParser
from loggerd.errors import ReadingsFileError
from loggerd.model.bank import Accuracy, Series, SeriesScale
from loggerd.model.scan import ClockState, ScanBlock

_BLOCK_BYTES = 1 << 20
_LONGEST_LINE = 1 << 20
_ANY_VALUE = 2**62
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_WIDE_BYTE_ORDER_MARKS = (b"\xff\xfe", b"\xfe\xff")


@dataclass(frozen=True)
class FileReport:
    """What was found in a file. Times are epoch milliseconds; lists of lines hold the first twenty."""

    path: str
    channels: tuple[str, ...]
    ignored_columns: tuple[str, ...]
    rows: int
    kept: int
    bad_rows: int
    bad_cells: int
    faults: tuple[LineFault, ...]
    repeated: int
    repeated_lines: tuple[int, ...]
    backward: int
    backward_lines: tuple[int, ...]
    ambiguous: int
    """Rows in an autumn hour that comes twice, of which only one pass is in the file: taken as the first."""
    first_ms: int | None
    last_ms: int | None
    nominal_interval_ms: int | None
    """Median difference between rows."""


class ReadingsFile:
    """One file of readings, read once from front to back; `path` "-" is standard input.

    `timezone` is where times without an offset belong (None: they are refused). `columns` maps names of
    columns to a channel (or "time") and a resolution; None takes the columns that are called like channels,
    in counts of 0.001. Every use raises ReadingsFileError when the file cannot be taken.
    """

    def __init__(
        self,
        path: str | Path,
        timezone: tzinfo | None,
        columns: Mapping[str, tuple[str, float]] | None = None,
    ) -> None:
        self.path = str(path)
        self.device = "standard input" if self.path == "-" else Path(path).name
        self._timezone = timezone
        self._mapped = columns
        self._file: BinaryIO | None = None
        self._rest = b""
        self._parser: ReadingsParser | None = None

    def series(self, bank: str) -> tuple[Series, ...]:
        """The series of the file for a bank, in the order of the counts in `blocks`: charge positive,
        nothing scaled.
        """
        return tuple(
            Series(
                device=self.device,
                bank=bank,
                channel=column.channel,
                place=column.name,
                resolution=column.resolution,
                unit=column.channel.quantity.value,
                scales=(_as_written(column.resolution),),
            )
            for column in self._opened().header.columns
        )

    def blocks(self) -> Iterator[ScanBlock]:
        """All rows in their order, block by block; can be used once. Closes the file at the end.

        A row whose time repeats or runs backward is there too, right after the row before it (`mono_ms`), with its
        own time in `wall_minus_mono_ms`.
        """
        parser = self._opened()
        with self._faults_named():
            try:
                for text in self._whole_lines():
                    yield from self._block(parser.push(text))
                yield from self._block(parser.finish())
            finally:
                self.close()

    @property
    def report(self) -> FileReport:
        """What has been found so far; complete when `blocks` has come to its end."""
        parser = self._opened()
        tally, order = parser.tally, parser.order
        return FileReport(
            path=self.path,
            channels=tuple(column.channel.name for column in parser.header.columns),
            ignored_columns=parser.header.ignored,
            rows=tally.rows,
            kept=order.kept,
            bad_rows=tally.bad_rows,
            bad_cells=tally.bad_cells,
            faults=tuple(sorted(tally.faults, key=lambda fault: fault.line)),
            repeated=order.repeated,
            repeated_lines=tuple(order.repeated_lines),
            backward=order.backward,
            backward_lines=tuple(order.backward_lines),
            ambiguous=parser.local.ambiguous if parser.local else 0,
            first_ms=order.first_ms,
            last_ms=order.last_ms,
            nominal_interval_ms=order.median_interval_ms(),
        )

    def close(self) -> None:
        """Close the file, if it is open."""
        if self._file is not None and self._file is not sys.stdin.buffer:
            self._file.close()
        self._file = None

    # -- reading --

    @contextmanager
    def _faults_named(self) -> Iterator[None]:
        name = self.device if self.path == "-" else self.path
        try:
            yield
        except UnusableFile as fault:
            raise ReadingsFileError(f"{name}, {fault}") from fault
        except OSError as error:
            raise ReadingsFileError(f"{name} cannot be read: {error.strerror}") from error

    def _opened(self) -> ReadingsParser:
        if self._parser is None:
            with self._faults_named():
                # Closed by `blocks` at its end, or by `close`.
                self._file = sys.stdin.buffer if self.path == "-" else Path(self.path).open("rb")  # noqa: SIM115
                try:
                    header, first_line = self._read_header()
                except UnusableFile:
                    self.close()
                    raise
                self._parser = ReadingsParser(header, self._timezone, first_line)
        return self._parser

    def _read_header(self) -> tuple[Header, int]:
        """The header, and the number of the line after it. Blank lines before it are passed over."""
        text = _plain_ends(self._read())
        if text.startswith(_WIDE_BYTE_ORDER_MARKS):
            raise UnusableFile(1, "UTF-16 text", "UTF-8 text (save it as CSV UTF-8)")
        text = text.removeprefix(_BYTE_ORDER_MARK)
        line_number = 1
        while text.startswith(b"\n"):
            text = text[1:]
            line_number += 1
        line, _, self._rest = text.partition(b"\n")
        try:
            header_line = line.decode("utf-8")
        except UnicodeDecodeError:
            header_line = line.decode("latin-1")
        return read_header(header_line, self._mapped), line_number + 1

    def _whole_lines(self) -> Iterator[bytes]:
        rest, self._rest = self._rest, b""
        while data := self._read():
            text = _plain_ends(rest + data)
            cut = text.rfind(b"\n") + 1
            rest = text[cut:]
            if len(rest) > _LONGEST_LINE:
                raise UnusableFile(1, f"more than {_LONGEST_LINE} bytes without a line end", "lines of readings")
            if cut:
                yield text[:cut]
        if rest:
            yield rest

    def _read(self) -> bytes:
        if self._file is None:
            return b""
        data = self._file.read(_BLOCK_BYTES)
        # A carriage return at the very end may have its newline in the next block.
        return data + self._file.read(1) if data.endswith(b"\r") else data

    def _block(self, columns: Columns) -> Iterator[ScanBlock]:
        length = len(columns.order_ms)
        if length:
            yield ScanBlock(
                device=self.device,
                boot=0,
                series=tuple(range(len(columns.counts))),
                mono_ms=columns.order_ms,
                wall_minus_mono_ms=columns.times_ms - columns.order_ms,
                clock=np.full(length, int(ClockState.SET)),
                counts=columns.counts,
            )


def _plain_ends(data: bytes) -> bytes:
    return data.replace(b"\r\n", b"\n").replace(b"\r", b"\n") if b"\r" in data else data


def _as_written(resolution: float) -> SeriesScale:
    """One count is `resolution` units; the fine unit is a thousandth."""
    factor = float(Fraction(repr(float(resolution))) * 1000)
    return SeriesScale(None, factor, 0.0, (-_ANY_VALUE, _ANY_VALUE), Accuracy(resolution=resolution))
