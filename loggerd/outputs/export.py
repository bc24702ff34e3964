"""Readings of the record as CSV, window by window: memory does not grow with the length of what is written."""

from __future__ import annotations

import csv
import io
from collections.abc import Generator
from contextlib import closing
from pathlib import Path
from typing import TextIO

import numpy as np

from loggerd.analysis.axis import SessionAxis
from loggerd.analysis.intake import ClockWatch, check_range, out_of_place
from loggerd.analysis.plan import BankPlan
from loggerd.decoding.scaling import scale_at, to_fine
from loggerd.model.bank import Series
from loggerd.model.channels import MISSING
from loggerd.model.marks import Mark
from loggerd.model.scan import Integers, ScanBlock
from loggerd.outputs.ledger_json import utc_text
from loggerd.plans import axes_of, plan_of
from loggerd.settings.site import SiteSettings
from loggerd.store.record import RecordReader


def export_readings(
    settings: SiteSettings, bank: str, span: tuple[int | None, int | None], raw: bool, to: TextIO
) -> None:
    """Write the readings of a bank in [from, until) epoch milliseconds. Raises StoreError."""
    to.writelines(readings_csv(settings, bank, span, raw))


def readings_csv(
    settings: SiteSettings, bank: str, span: tuple[int | None, int | None], raw: bool
) -> Generator[str, None, None]:
    """The readings of a bank as CSV, an hour at a time. Raises StoreError."""
    with closing(export_rows(settings, bank, span, raw)) as rows:
        for part in rows:
            text = io.StringIO()
            csv.writer(text, lineterminator="\n").writerows(part)
            yield text.getvalue()


def export_rows(
    settings: SiteSettings, bank: str, span: tuple[int | None, int | None], raw: bool
) -> Generator[list[list[str]], None, None]:
    """Rows of cells: first the heading alone, then those of an hour at a time. Raises StoreError."""
    reader = RecordReader.open(Path(settings.record.path))
    try:
        sessions = reader.sessions()
        plan = plan_of(settings, bank, reader.series(), sessions, reader.revisions(bank))
        axes = axes_of(sessions)
        names = sorted({one.channel.name for one in plan.series.values()}, key=_order)
        yield [["time", *names, "device", "marks"]]
        for window in reader.windows(bank, None, from_ms=span[0], until_ms=span[1]):
            if window.session not in axes:
                # The service was started again a moment ago.
                break
            rows: list[tuple[int, list[str]]] = []
            for block in window.blocks:
                rows.extend(_rows(block, axes[window.session], plan, names, raw))
            rows.sort(key=lambda row: row[0])
            yield [cells for _, cells in rows]
    finally:
        reader.close()


def _order(name: str) -> tuple[int, str, int]:
    """Bank first, then strings and blocks by number."""
    words = name.split("_")
    number = next((int(word) for word in words if word.isdigit()), 0)
    return (number > 0, f"{words[0]}{words[-1]}" if number else name, number)


def _rows(
    block: ScanBlock, axis: SessionAxis, plan: BankPlan, names: list[str], raw: bool
) -> list[tuple[int, list[str]]]:
    at_ms = block.mono_ms + axis.offset_ms
    cells: dict[str, list[str]] = {}
    marks = np.zeros(len(block), dtype=np.int64)
    offsets = block.wall_minus_mono_ms
    found = (
        out_of_place(at_ms, offsets) if axis.by_wall else ClockWatch().push(axis.session, at_ms, offsets, block.clock)
    )
    for mark, when in found:
        marks[np.searchsorted(at_ms, when)] |= int(mark)
    for position, one in enumerate(block.series):
        series = plan.series[one]
        values = to_fine(block.counts[position], at_ms, series.scales)
        marks |= _value_marks(values, at_ms, series)
        cells[series.channel.name] = _texts(block.counts[position] if raw else values, raw)
    words = [_mark_words(int(mark)) for mark in marks]
    empty = [""] * len(block)
    columns = [cells.get(name, empty) for name in names]
    shown = (at_ms + axis.correction_ms).tolist()
    return [
        (at, [utc_text(at), *(column[row] for column in columns), block.device, words[row]])
        for row, at in enumerate(shown)
    ]


def _texts(values: Integers, raw: bool) -> list[str]:
    if raw:
        return ["" if value == MISSING else str(value) for value in values.tolist()]
    return ["" if value == MISSING else f"{value / 1000:.3f}" for value in values.tolist()]


def _value_marks(values: Integers, at_ms: Integers, series: Series) -> Integers:
    marks = np.zeros(len(values), dtype=np.int64)
    checked = check_range(values, at_ms, scale_at(series.scales, int(at_ms[0])).valid)
    for mark, when in checked.marked:
        marks[np.searchsorted(at_ms, when)] |= int(mark)
    return marks


def _mark_words(mark: int) -> str:
    return "; ".join(Mark(mark).words()) if mark else ""
