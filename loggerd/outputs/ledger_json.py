"""Ledger entries as plain values for JSON, CSV and tables. Loops over figures; knows none by name."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from loggerd.analysis.axis import SessionAxis, shown_ms
from loggerd.model.ledger import Entry, Instant, LedgerName, MarkSpan
from loggerd.model.marks import Mark

InstantText = Callable[[Instant], str]


def utc_text(at_ms: int) -> str:
    """Epoch milliseconds as ISO-8601 UTC."""
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def instant_text(instant: Instant) -> str:
    """An instant without any correction of its session's clock."""
    return utc_text(instant.at_ms)


def corrected_text(axes: Mapping[int, SessionAxis]) -> InstantText:
    """Instants with what the clock of their session was corrected by later."""
    return lambda instant: utc_text(shown_ms(axes, instant))


def entry_values(entry: Entry, text: InstantText = instant_text) -> dict[str, Any]:
    """An entry as a flat table: times, figures, `{name}_band` where there is one, `{name}_reason` where no value
    or no band can be told."""
    values: dict[str, Any] = {"start": text(entry.start), "end": text(entry.end), "complete": entry.complete}
    if entry.ledger is LedgerName.PHASES:
        values = {"kind": entry.kind, **values}
    if entry.ledger is LedgerName.FULL_TO_FULL:
        values["provisional"] = entry.kind == "provisional"
    for figure in entry.figures:
        values[figure.name] = figure.value
        if figure.reason:
            values[f"{figure.name}_reason"] = figure.reason
        if figure.low is not None and figure.high is not None:
            values[f"{figure.name}_band"] = [figure.low, figure.high]
    return values


def mark_values(span: MarkSpan, text: InstantText = instant_text) -> dict[str, Any]:
    """A span of marks as a flat table."""
    return {
        "channel": span.channel,
        "marks": Mark(span.mark).words(),
        "start": text(span.start),
        "end": text(span.end),
        "readings": span.readings,
    }


def _in_order(span: MarkSpan) -> tuple[int, str, int]:
    """Spans of different channels end together; which is found first depends on how readings were grouped."""
    return span.start.at_ms, span.channel, span.mark


def depth_band_values(entries: Iterable[Entry]) -> list[dict[str, Any]]:
    """Counted depths gathered in bands of a tenth of the rated amp-hours.

    `cycles` are counted for good; `open_cycles` would count if the record ended here.
    """
    closed = [0.0] * 11
    opened = [0.0] * 11
    for entry in entries:
        depth, count = entry.figure("depth").value, entry.figure("cycles").value
        assert depth is not None
        assert count is not None
        band = min(int(depth * 10), 10)
        (closed if entry.complete else opened)[band] += count
    return [
        {
            "from_depth": band / 10,
            "to_depth": (band + 1) / 10 if band < 10 else None,
            "cycles": closed[band],
            "open_cycles": opened[band],
        }
        for band in range(11)
        if closed[band] or opened[band]
    ]


def ledger_document(
    bank: str, entries: Sequence[Entry], marks: Sequence[MarkSpan], text: InstantText = instant_text
) -> dict[str, Any]:
    """Everything of a bank as one JSON-able value: phases, cycles, full_to_full, depth_bands and marks."""

    def of(ledger: LedgerName) -> list[dict[str, Any]]:
        return [entry_values(entry, text) for entry in entries if entry.ledger is ledger]

    return {
        "bank": bank,
        "phases": of(LedgerName.PHASES),
        "cycles": of(LedgerName.CYCLES),
        "full_to_full": of(LedgerName.FULL_TO_FULL),
        "depth_bands": depth_band_values(entry for entry in entries if entry.ledger is LedgerName.DEPTH_BANDS),
        "marks": [mark_values(span, text) for span in sorted(marks, key=_in_order)],
    }
