"""A stretch of a bank's record as an SQLite file: readings, cycles with their figures, findings, log book."""

from __future__ import annotations

import json
import os
import secrets
import threading
import time
from collections.abc import Generator, Iterator
from contextlib import closing, suppress
from itertools import islice
from pathlib import Path

from loggerd.analysis.findings import newest
from loggerd.errors import StoreError, StoreFull
from loggerd.model.channels import parse_channel
from loggerd.model.ledger import LedgerName
from loggerd.outputs.export import export_rows
from loggerd.outputs.ledger_json import InstantText, corrected_text
from loggerd.outputs.log_book import corrected_among, log_values
from loggerd.plans import axes_of
from loggerd.settings.site import SiteSettings
from loggerd.store.record import ExportColumn, ExportFile, ExportTable, PageWish, RecordReader, too_large_words
from loggerd.wording.findings import sentence

Span = tuple[int | None, int | None]

_PART_BYTES = 262_144
_BYTES_OF_SCAN, _BYTES_OF_READING = 70, 10
"""About what a row and a number take in the file: measured on a cabin's readings."""
_LEFT_OVER_SECONDS = 86_400.0
_CYCLES_AT_ONCE = 200
_LOG_ROWS = 500


def sqlite_parts(
    settings: SiteSettings, bank: str, span: Span, raw: bool, gone: threading.Event
) -> Generator[bytes, None, None]:
    """The file in parts. It is made in the folder of the record, whole before the first part; then it is deleted.

    Raises StoreError, StoreFull where it would not fit.
    """
    record = Path(settings.record.path)
    _sweep(record)
    path = record.with_name(f"{record.name}.export-{secrets.token_hex(8)}")
    try:
        _make(path, settings, bank, span, raw, gone)
        with path.open("rb") as stream:
            path.unlink()
            while part := stream.read(_PART_BYTES):
                yield part
    except OSError as error:
        raise StoreError(f"{path}: {error.strerror or error}") from error
    finally:
        # On a disk that takes nothing there is nothing to take away either, and the reason is told above.
        with suppress(OSError):
            path.unlink(missing_ok=True)


def _sweep(record: Path) -> None:
    """Takes away what a process left behind that was killed while it made such a file."""
    for path in record.parent.glob(f"{record.name}.export-*"):
        with suppress(OSError):
            if time.time() - path.stat().st_mtime > _LEFT_OVER_SECONDS:
                path.unlink()


def _make(path: Path, settings: SiteSettings, bank: str, span: Span, raw: bool, gone: threading.Event) -> None:
    reader = RecordReader.open(Path(settings.record.path))
    try:
        room = room_for(path.parent)
        scans, readings = reader.pages.scans(bank, *span)
        if scans * _BYTES_OF_SCAN + readings * _BYTES_OF_READING > room:
            raise StoreFull(too_large_words(room))
        to = ExportFile(path, room)
        try:
            _add_readings(to, settings, bank, span, raw, gone)
            text = corrected_text(axes_of(reader.sessions()))
            _add_cycles(to, reader, bank, span, text)
            to.add(_FINDINGS, _finding_rows(reader, bank, span, text))
            to.add(_LOG, _log_rows(reader, bank, span))
            to.finish()
        finally:
            to.close()
    finally:
        reader.close()


def room_for(folder: Path) -> int:
    """Bytes that a file may have: half of what is free on that disk."""
    room = os.statvfs(folder)
    return room.f_bavail * room.f_frsize // 2


# -- readings --


def _readings_table(names: list[str], raw: bool) -> ExportTable:
    columns = [_text("time", "ISO-8601, UTC")]
    for name in names:
        unit = "raw counts" if raw else parse_channel(name).quantity.value
        meaning = "as the device sent it" if raw else "as it is understood now; charge is positive"
        columns.append(ExportColumn(name, "INTEGER" if raw else "REAL", unit, f"{meaning}; NULL where none was read"))
    columns += [_text("device", "which was read"), _text("marks", "why readings of this row are doubted")]
    return ExportTable("readings", "a row for each scan of a device", tuple(columns))


def _add_readings(
    to: ExportFile, settings: SiteSettings, bank: str, span: Span, raw: bool, gone: threading.Event
) -> None:
    with closing(export_rows(settings, bank, span, raw)) as parts:
        _, *names, _, _ = next(parts)[0]
        table = _readings_table(names, raw)
        to.begin((table, _CYCLES, _FIGURES, _FINDINGS, _LOG))
        number = int if raw else float
        for part in parts:
            if gone.is_set():
                raise StoreError("nobody takes the file any more")
            to.add(
                table, ([row[0], *(number(cell) if cell else None for cell in row[1:-2]), *row[-2:]] for row in part)
            )


# -- what was found --


def _text(name: str, meaning: str, declaration: str = "TEXT NOT NULL") -> ExportColumn:
    return ExportColumn(name, declaration, "-", meaning)


_VALUE = (
    ExportColumn("value", "REAL", "as its name or unit says", "NULL where it cannot be told"),
    ExportColumn("low", "REAL", "as the value", "lower end of the 95 % band"),
    ExportColumn("high", "REAL", "as the value", "upper end of the 95 % band"),
)
_CYCLES = ExportTable(
    "cycles",
    "a discharge and the charge that answers it",
    (
        ExportColumn("id", "INTEGER PRIMARY KEY", "-", "number of the cycle"),
        _text("began", "ISO-8601, UTC"),
        _text("ended", "ISO-8601, UTC"),
        ExportColumn("complete", "INTEGER NOT NULL", "-", "1 when it is finished"),
    ),
)
_FIGURES = ExportTable(
    "cycle_figures",
    "the figures of the cycles",
    (
        ExportColumn("cycle", "INTEGER NOT NULL REFERENCES cycles(id)", "-", "number of the cycle"),
        _text("name", "which figure; its name ends in its unit where it has one"),
        *_VALUE,
        _text("reason", "why it, or its band, cannot be told"),
    ),
)
_FINDINGS = ExportTable(
    "findings",
    "what the readings were found to say",
    (
        ExportColumn("id", "INTEGER PRIMARY KEY", "-", "number of the finding"),
        _text("name", "which finding"),
        _text("subject", "bank, string, block, link or channel that it speaks of"),
        _text("verdict", "what it says, in a word"),
        _text("says", "what it says, in plain words"),
        _text("grade", "tested, observed, inferred or cannot tell"),
        *_VALUE,
        _text("reason", "why; of one that cannot be told, what is missing"),
        _text("told", "when it was told: ISO-8601, UTC"),
        _text("since", "when what it speaks of began, NULL where that is not known: ISO-8601, UTC", "TEXT"),
        _text("quality", "of the readings it rests on"),
        _text("quality_reason", "why they are not good"),
    ),
)
_LOG = ExportTable(
    "log",
    "the log book: what people did and measured by hand",
    (
        _text("uid", "names the entry for ever", "TEXT PRIMARY KEY"),
        _text("happened", "ISO-8601, UTC"),
        _text("taken_in", "ISO-8601, UTC"),
        _text("who", "who told it"),
        _text("kind", "what it tells of"),
        _text("words", "words"),
        _text("corrects", "uid of the entry that it takes the place of", "TEXT"),
        _text("corrected_by", "uid of the entry that holds instead", "TEXT"),
        _text("data", "JSON: values by name, in the units of the kind"),
    ),
)


def _add_cycles(to: ExportFile, reader: RecordReader, bank: str, span: Span, text: InstantText) -> None:
    """Cycles with their figures, some at a time: the ledger is read once."""
    entries = reader.entries(bank, LedgerName.CYCLES, None, *span)
    while part := list(islice(entries, _CYCLES_AT_ONCE)):
        to.add(_CYCLES, ((one.id, text(one.entry.start), text(one.entry.end), int(one.entry.complete)) for one in part))
        figures = ((one.id, figure) for one in part for figure in one.entry.figures)
        to.add(_FIGURES, ((cycle, one.name, one.value, one.low, one.high, one.reason) for cycle, one in figures))


def _finding_rows(reader: RecordReader, bank: str, span: Span, text: InstantText) -> Iterator[tuple[object, ...]]:
    for stored in reader.findings(bank, None, *span):
        one = stored.finding
        says = sentence(one) if newest([one]) else ""
        yield (
            stored.id,
            one.name,
            one.subject,
            one.verdict,
            says,
            one.grade.value,
            one.value,
            one.low,
            one.high,
            one.reason,
            text(one.at),
            None if one.since is None else text(one.since),
            one.quality.value,
            one.quality_reason,
        )


def _log_rows(reader: RecordReader, bank: str, span: Span) -> Iterator[tuple[object, ...]]:
    correcting = reader.pages.log_corrections()
    before = None
    while found := reader.pages.log(bank, PageWish(_LOG_ROWS, before, *span)):
        corrected = corrected_among(found, correcting)
        for one in found:
            values = log_values(one, corrected)
            names = ("uid", "happened", "taken_in", "who", "kind", "text", "corrects", "corrected_by")
            data = json.dumps(values["data"], ensure_ascii=False)
            yield (*(values[name] for name in names), data)
        before = found[-1].id
