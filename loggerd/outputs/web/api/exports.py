"""Downloads: readings as CSV or SQLite, cycles as CSV."""

from __future__ import annotations

import threading
from collections.abc import Generator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from loggerd.model.ledger import LedgerName
from loggerd.outputs.export import readings_csv
from loggerd.outputs.export_file import sqlite_parts
from loggerd.outputs.ledger_csv import ledger_csv
from loggerd.outputs.web.api.endpoint import Call, Endpoint, Parameter
from loggerd.outputs.web.api.kinds import YesNo
from loggerd.outputs.web.api.looking import SPAN, instants
from loggerd.outputs.web.download import Download
from loggerd.store.record import RecordReader

_RAW = Parameter("raw", YesNo(), "numbers as the device sent them, before any scale", False)
_CSV, _SQLITE = "text/csv; charset=utf-8", "application/vnd.sqlite3"


def _readings(call: Call) -> Download:
    def parts(gone: threading.Event) -> Generator[bytes, None, None]:
        with closing(readings_csv(call.ask.site, call.bank, call.span, call.values["raw"])) as made:
            for text in made:
                yield text.encode()

    return Download(parts, _CSV, _name(call, "", "csv"))


def _file(call: Call) -> Download:
    def parts(gone: threading.Event) -> Generator[bytes, None, None]:
        return sqlite_parts(call.ask.site, call.bank, call.span, call.values["raw"], gone)

    return Download(parts, _SQLITE, _name(call, "", "sqlite"))


def _cycles(call: Call) -> Download:
    text = instants(call)

    def parts(gone: threading.Event) -> Generator[bytes, None, None]:
        reader = RecordReader.open(Path(call.ask.site.record.path))
        try:
            for part in ledger_csv(reader, call.bank, LedgerName.CYCLES, call.span, text):
                yield part.encode()
        finally:
            reader.close()

    return Download(parts, _CSV, _name(call, "-cycles", "csv"))


def _name(call: Call, what: str, ending: str) -> str:
    """Bank, what, and the days asked for."""
    days = "".join(f"-{datetime.fromtimestamp(at_ms / 1000, UTC):%Y%m%d}" for at_ms in call.span if at_ms is not None)
    return f"{call.bank}{what}{days}.{ending}"


_TEXT = {"type": "string"}

ENDPOINTS = (
    Endpoint(
        "export_cycles",
        "/export/{bank}/cycles.csv",
        "The settled cycles with all figures and their bands, as CSV.",
        _cycles,
        {200: _TEXT},
        parameters=SPAN,
        media=_CSV,
    ),
    Endpoint(
        "export_readings",
        "/export/{bank}.csv",
        "Every reading as CSV that `loggerd replay` and any spreadsheet can read: a row for each scan of a device.",
        _readings,
        {200: _TEXT},
        parameters=(*SPAN, _RAW),
        media=_CSV,
    ),
    Endpoint(
        "export_file",
        "/export/{bank}.sqlite",
        "Readings, cycles, findings and log book as an SQLite file; the table `about` says what each column means.",
        _file,
        {200: {}},
        parameters=(*SPAN, _RAW),
        media=_SQLITE,
    ),
)
