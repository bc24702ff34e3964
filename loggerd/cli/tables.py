"""Tables for a terminal: plain text, one line a row, figures with their band where there is room."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

from loggerd.cli.arguments import local_text
from loggerd.model.ledger import Entry, Figure, Instant, LedgerName


class _Column(NamedTuple):
    heading: str
    figure: str
    decimals: int
    factor: float = 1.0
    with_band: bool = False


_CYCLE_COLUMNS = (
    _Column("out Ah", "discharge_amp_hours", 1, with_band=True),
    _Column("in Ah", "charge_amp_hours", 1, with_band=True),
    _Column("factor", "charge_factor", 3, with_band=True),
    _Column("Wh eff %", "watt_hour_efficiency", 0, 100.0),
    _Column("out kWh", "discharge_watt_hours", 2, 0.001),
    _Column("depth %", "depth_of_discharge", 0, 100.0),
    _Column("low V", "minimum_volts", 2),
    _Column("high V", "maximum_volts", 2),
    _Column("end A", "end_of_charge_amps", 1),
    _Column("°C", "mean_celsius", 0),
)


def cycle_table(
    entries: Iterable[Entry], timezone: str, shown_ms: Callable[[Instant], int] = lambda instant: instant.at_ms
) -> list[str]:
    """Lines of the table of cycles, the open one last and marked so."""
    rows = [["start", "hours", *(column.heading for column in _CYCLE_COLUMNS), ""]]
    for entry in entries:
        if entry.ledger is not LedgerName.CYCLES:
            continue
        hours = (shown_ms(entry.end) - shown_ms(entry.start)) / 3_600_000
        cells = [_cell(entry.figure(column.figure), column) for column in _CYCLE_COLUMNS]
        rows.append(
            [local_text(shown_ms(entry.start), timezone), f"{hours:.1f}", *cells, "" if entry.complete else "open"]
        )
    if len(rows) == 1:
        return ["no cycle yet: nothing was discharged and charged again by enough to count as one"]
    return aligned(rows)


def _cell(figure: Figure, column: _Column) -> str:
    if figure.value is None:
        return "-"
    text = f"{figure.value * column.factor:.{column.decimals}f}"
    if column.with_band and figure.low is not None and figure.high is not None:
        half = max(figure.high - figure.value, figure.value - figure.low) * column.factor
        text += f" ±{half:.{column.decimals}f}"
    return text


def aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    """Rows of cells with columns of equal width, the first column to the left, the others to the right."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return [
        "  ".join(
            cell.ljust(width) if column == 0 else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]
