"""/bank/{bank}/cycles: the ledger of cycles, a page at a time; one cycle with its curve."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from markupsafe import Markup
from starlette.responses import Response

from loggerd.analysis.axis import SessionAxis, shown_ms
from loggerd.model.access import Need
from loggerd.model.ledger import Entry, Figure, LedgerName
from loggerd.outputs.curves import channels_of, curve
from loggerd.outputs.ledger_csv import columns_of, flat_row
from loggerd.outputs.ledger_json import corrected_text, entry_values
from loggerd.outputs.web.asking import Ask, CannotBeUsed, NotThere, Route
from loggerd.outputs.web.curve_views import CHART_POINTS, ChartView, curve_charts, happened
from loggerd.outputs.web.curves import usual_channels
from loggerd.outputs.web.cycle_views import (
    CycleRow,
    doubts_of,
    doubts_text,
    figure_lines,
    full_words,
    heads,
    marks_within,
    row_of,
)
from loggerd.outputs.web.local_times import number_of
from loggerd.outputs.web.open_cycle import OpenCycle, open_cycle
from loggerd.outputs.web.rendering import in_path
from loggerd.outputs.web.time_span import query_of, span_of, span_query
from loggerd.plans import bank_named
from loggerd.store.record import EntryPage, EntryWish
from loggerd.wording.chart import Axes
from loggerd.wording.chart_bars import Pair, paired_bars
from loggerd.wording.digest_figures import summarise

PAGE = 50
_BANDS = (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8)
"""Lower edges of the bands of depth, as shares of the rated amp-hours. Own choice."""
_MOST_COUNTS = 20_000
_MOST_DOUBTS = 40
_EDGE_MS = 1_800_000
"""Shown of the curve before and after a cycle."""


@dataclass(frozen=True)
class Wish:
    """Which cycles are asked for. `depth`: least depth in per cent."""

    bank: str
    from_ms: int | None
    until_ms: int | None
    depth: float
    before: int | None

    @property
    def entries(self) -> EntryWish:
        span = {"from_ms": self.from_ms, "until_ms": self.until_ms}
        least = ("depth_of_discharge", self.depth / 100.0) if self.depth > 0.0 else None
        told = {name: at_ms for name, at_ms in span.items() if at_ms is not None}
        return EntryWish(self.bank, LedgerName.CYCLES, **told, least=least)


@dataclass(frozen=True)
class DepthCount:
    """A band of depth, and how many cycles reached into it."""

    words: str
    cycles: str


@dataclass(frozen=True)
class Totals:
    """What the cycles of a page come to."""

    cycles: int
    out: Figure
    turnovers: float | None
    depths: tuple[DepthCount, ...] = field(default=())


def wish_of(ask: Ask) -> Wish:
    """Raises NotThere, CannotBeUsed."""
    bank = ask.bank()
    from_ms, until_ms = span_of(ask)
    text = ask.query.get("depth", "").strip().replace(",", ".")
    try:
        depth = float(text) if text else 0.0
    except ValueError:
        depth = -1.0
    if not 0.0 <= depth <= 1000.0:
        raise CannotBeUsed("the least depth is a number of per cent, from 0 to 1000")
    return Wish(bank, from_ms, until_ms, depth, number_of(ask.query.get("before", "")))


def find_page(ask: Ask, wish: Wish) -> EntryPage:
    """One page of settled cycles, the newest first. Raises StoreError."""
    return ask.record.newest_entries(wish.entries, PAGE, wish.before)


def _cycles(ask: Ask) -> Response:
    wish = wish_of(ask)
    page = find_page(ask, wish)
    axes = ask.axes
    entries = [one.entry for one in page.entries]
    opened = open_cycle(ask, wish.bank) if wish.before is None and wish.until_ms is None else OpenCycle()
    numbers: list[int | None] = [one.id for one in page.entries]
    shown = list(entries)
    if opened.entry is not None and _fits(opened.entry, wish):
        shown.insert(0, opened.entry)
        numbers.insert(0, None)
    asked = {
        "from": ask.query.get("from", ""),
        "until": ask.query.get("until", ""),
        "depth": ask.query.get("depth", ""),
    }
    return ask.page(
        "cycles.html",
        bank=wish.bank,
        rows=_rows(ask, wish.bank, shown, numbers, axes),
        heads=heads(ask.words),
        note=opened.note,
        totals=_totals(ask, wish.bank, entries),
        chart_view=_chart(ask, wish.bank, entries, axes),
        older=f"?{query_of(**asked, before=page.older)}" if page.older is not None else "",
        newest=f"?{query_of(**asked)}" if wish.before is not None else "",
        table=f"/bank/{in_path(wish.bank)}/cycles.csv?{query_of(**asked, before=wish.before)}",
        asked=asked,
    )


def _fits(entry: Entry, wish: Wish) -> bool:
    depth = next((one.value for one in entry.figures if one.name == "depth_of_discharge"), None)
    return (wish.from_ms is None or entry.end.at_ms >= wish.from_ms) and (depth or 0.0) >= wish.depth / 100.0


def _rows(
    ask: Ask, bank: str, entries: Sequence[Entry], numbers: Sequence[int | None], axes: Mapping[int, SessionAxis]
) -> list[CycleRow]:
    if not entries:
        return []
    begin, end = min(one.start.at_ms for one in entries), max(one.end.at_ms for one in entries)
    marks = marks_within(ask.record, bank, begin, end)
    full = full_words(ask.record, bank, entries)
    return [
        row_of(
            ask.words,
            number,
            entry,
            (shown_ms(axes, entry.start), shown_ms(axes, entry.end)),
            filled if number is not None else "open",
            doubts_text(ask.words, entry, marks),
        )
        for number, entry, filled in zip(numbers, entries, full, strict=True)
    ]


def _totals(ask: Ask, bank: str, entries: Sequence[Entry]) -> Totals | None:
    if not entries:
        return None
    begin, end = min(one.start.at_ms for one in entries), max(one.end.at_ms for one in entries) + 1
    summary = summarise(entries, begin, end)
    rated = bank_named(ask.site, bank)[0].rated_amp_hours
    turnovers = None if summary.out.value is None else summary.out.value / rated
    rows = ask.record.figure_rows(bank, LedgerName.DEPTH_BANDS, ("depth", "cycles"), begin, end, _MOST_COUNTS)
    counts = [0.0] * len(_BANDS)
    for depth, cycles in rows:
        if depth is not None and cycles is not None:
            counts[max(place for place, edge in enumerate(_BANDS) if depth >= edge or place == 0)] += cycles
    depths = tuple(
        DepthCount(_band_words(place), ask.words.number(count, 1)) for place, count in enumerate(counts) if count
    )
    return Totals(len(entries), summary.out, turnovers, depths)


def _band_words(place: int) -> str:
    low = f"{100 * _BANDS[place]:.0f}"
    return f"{low} to {100 * _BANDS[place + 1]:.0f} %" if place + 1 < len(_BANDS) else f"{low} % and more"


def _chart(ask: Ask, bank: str, entries: Sequence[Entry], axes: Mapping[int, SessionAxis]) -> ChartView | None:
    """Amp-hours of the cycles of a page, the oldest on the left; depth is the same by another scale."""
    if not entries:
        return None
    rated = bank_named(ask.site, bank)[0].rated_amp_hours
    months = ask.words.texts.words["months"].split()
    pairs = []
    for entry in reversed(entries):
        at = ask.words.local(shown_ms(axes, entry.start))
        out, into = (_named(entry, name) for name in ("discharge_amp_hours", "charge_amp_hours"))
        pairs.append(Pair(f"{at.day} {months[at.month - 1]}", out.value, into.value, _band(out), _band(into)))
    times = [shown_ms(axes, one) for one in (entries[-1].start, entries[0].end)]
    words = (
        f"Amp-hours out and in of {len(entries)} cycles, {ask.words.instant(times[0])} to {ask.words.instant(times[1])}"
    )
    chart = Axes("ah", words, "The table below has the figures.", "Ah", times[0], times[1], number=ask.words.number)
    return ChartView("ah", words, Markup(paired_bars(chart, pairs, "% deep", rated / 100.0)))


def _named(entry: Entry, name: str) -> Figure:
    return next((one for one in entry.figures if one.name == name), Figure(name, None))


def _band(figure: Figure) -> tuple[float, float] | None:
    return None if figure.low is None or figure.high is None else (figure.low, figure.high)


def _csv(ask: Ask) -> Response:
    """What a page of the ledger shows, as a file; times in UTC."""
    wish = wish_of(ask)
    page = find_page(ask, wish)
    text = corrected_text(ask.axes)
    rows = [flat_row({"id": one.id, **entry_values(one.entry, text)}) for one in page.entries]
    to = io.StringIO()
    writer = csv.DictWriter(to, columns_of(rows) or ["id", "start", "end", "complete"], lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    headers = {"Content-Disposition": 'attachment; filename="cycles.csv"'}
    return Response(to.getvalue(), media_type="text/csv; charset=utf-8", headers=headers)


def _cycle(ask: Ask) -> Response:
    bank = ask.bank()
    text = ask.path["entry"]
    identity = int(text) if text.isascii() and text.isdecimal() and len(text) < 19 else -1
    stored = ask.record.entry(bank, identity)
    if stored is None or stored.entry.ledger is not LedgerName.CYCLES:
        raise NotThere("there is no such cycle in the ledger of this bank; it may have been told anew")
    entry, axes = stored.entry, ask.axes
    start, end = shown_ms(axes, entry.start), shown_ms(axes, entry.end)
    begin, until = start - _EDGE_MS, end + _EDGE_MS
    found = curve(ask.record, ask.site, bank, usual_channels(channels_of(ask.record, bank)), begin, until, CHART_POINTS)
    beside = happened(ask, bank, begin, until)
    marks = marks_within(ask.record, bank, entry.start.at_ms, entry.end.at_ms)
    earlier = ask.record.newest_entries(EntryWish(bank, LedgerName.CYCLES), 1, identity).entries
    return ask.page(
        "cycles_one.html",
        bank=bank,
        start=ask.words.instant(start),
        end=ask.words.instant(end),
        full=full_words(ask.record, bank, [entry])[0],
        charts=curve_charts(ask, found, beside),
        signs=beside.signs,
        phases=bool(beside.phases),
        figures=figure_lines(ask.words, entry),
        doubts=doubts_of(ask, marks, axes, _MOST_DOUBTS),
        more_doubts=max(len(marks) - _MOST_DOUBTS, 0),
        earlier=earlier[0].id if earlier else None,
        later=ask.record.entry_after(bank, LedgerName.CYCLES, identity),
        recomputable=stored.recomputable,
        curves=span_query(begin, until, ask.zone),
    )


ROUTES: tuple[Route, ...] = (
    Route("/bank/{bank}/cycles", _cycles, Need.READER),
    Route("/bank/{bank}/cycles.csv", _csv, Need.READER),
    Route("/bank/{bank}/cycles/{entry}", _cycle, Need.READER),
)
