"""Curves as charts: which channels share one, what their lines are called, and what happened meanwhile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from loggerd.analysis.axis import shown_ms
from loggerd.model.channels import Quantity
from loggerd.model.ledger import LedgerName, PhaseKind
from loggerd.outputs.curves import DAY_MS, Column, Curve, block_spread
from loggerd.outputs.web.asking import Ask
from loggerd.store.record import EntryWish
from loggerd.wording.chart import STYLES, Axes, Chart, Line, Sign, Stretch, key_mark, svg
from loggerd.wording.log_book import entry_words, kind_words

CHART_POINTS = 290
"""Points of a line on a page: one for each two units of the drawing."""
MOST_SIGNS = 26
PHASES_MS = 45 * DAY_MS
"""Phases are drawn over at most this time: on more they are thinner than a stroke."""
_MOST_PHASES = 1500
_LETTERS = {PhaseKind.CHARGE.value: "C", PhaseKind.REST.value: "R", PhaseKind.DISCHARGE.value: "D"}
_UNITS = {Quantity.VOLTS: "V", Quantity.AMPS: "A", Quantity.CELSIUS: "°C", Quantity.AMP_HOURS: "Ah"}
_LEAST_SPAN = {"V": 0.5, "A": 2.0, "°C": 5.0, "Ah": 1.0}
_TITLES = {
    "V": "Volts",
    "A": "Amps, charge positive",
    "°C": "Temperature",
    "Ah": "Amp-hours by the instrument's counter",
}


@dataclass(frozen=True)
class KeyLine:
    """What a line is called, beside a drawing of its dashes."""

    mark: Markup
    name: str


@dataclass(frozen=True)
class ChartView:
    """A chart for a template: `identity` names it, `keys` its lines."""

    identity: str
    title: str
    drawing: Markup
    keys: tuple[KeyLine, ...] = ()
    note: str = ""
    zoom: str = ""
    """Channels that a script may ask for anew, with commas between; empty where it may not."""


@dataclass(frozen=True)
class _Group:
    """What shares a chart. `least_span`: of its values; `zoom` as in ChartView."""

    title: str
    unit: str
    named: tuple[tuple[str, Column], ...]
    least_span: float
    zoom: str = ""


@dataclass(frozen=True)
class Happened:
    """What stands beside the curves: entries of the log book, phases."""

    signs: tuple[Sign, ...]
    phases: tuple[Stretch, ...]


def happened(ask: Ask, bank: str, from_ms: int, until_ms: int) -> Happened:
    """Log book and phases of a stretch of time."""
    phases: tuple[Stretch, ...] = ()
    if until_ms - from_ms <= PHASES_MS:
        spans = ask.record.entry_spans(EntryWish(bank, LedgerName.PHASES, from_ms, until_ms), _MOST_PHASES)
        phases = tuple(
            Stretch(shown_ms(ask.axes, one.start), shown_ms(ask.axes, one.end), _LETTERS.get(one.kind, "R"))
            for one in spans
        )
    return Happened(log_signs(ask, bank, from_ms, until_ms), phases)


def log_signs(ask: Ask, bank: str, from_ms: int, until_ms: int) -> tuple[Sign, ...]:
    """The newest entries of the log book in a stretch of time, numbered."""
    taken = ask.record.log_between(bank, from_ms, until_ms, MOST_SIGNS)
    signs = []
    for number, one in enumerate(taken, 1):
        entry = one.entry
        words = f"{ask.words.instant(entry.happened_at_ms)}: {kind_words(entry.kind)}; {entry_words(entry)}"
        signs.append(Sign(entry.happened_at_ms, str(number), words.removesuffix("; ")))
    return tuple(signs)


def curve_charts(ask: Ask, found: Curve, beside: Happened) -> list[ChartView]:
    """A chart for each unit; block voltages as the difference between the blocks, block temperatures together."""
    groups: list[_Group] = []
    for quantity, unit in _UNITS.items():
        columns = [one for one in found.columns if one.channel.quantity is quantity and not one.channel.number]
        columns += _strings(found) if quantity is Quantity.AMPS else []
        named = [(_name(ask, one), one) for one in columns]
        blocks = _together(found, quantity) if quantity is Quantity.CELSIUS else None
        if blocks is not None:
            named.insert(0, ("the blocks, mean; strokes from the coldest to the hottest", blocks))
        zoom = ",".join(one.channel.name for one in columns) if blocks is None else ""
        groups.append(_Group(_TITLES[unit], unit, tuple(named), _LEAST_SPAN[unit], zoom))
    single = [
        one for one in found.columns if one.channel.number and one.channel.quantity is Quantity.VOLTS and len(one.mean)
    ]
    if len(single) <= STYLES:
        groups.append(_Group("Volts of blocks", "V", tuple((_name(ask, one), one) for one in single), 0.2))
    spread = block_spread(found)
    if spread is not None:
        groups.append(_Group("Spread of the blocks", "V", (("highest less lowest block", spread),), 0.05))
    filled = [one for one in groups if one.named]
    return [_view(ask, found, beside, f"c{number}", group) for number, group in enumerate(filled)]


def _strings(found: Curve) -> list[Column]:
    return [one for one in found.columns if one.channel.quantity is Quantity.AMPS and one.channel.number]


def _name(ask: Ask, column: Column) -> str:
    return ask.words.subject(column.channel.name)


def _view(ask: Ask, found: Curve, beside: Happened, identity: str, group: _Group) -> ChartView:
    lines = tuple(
        Line(name, one.time_ms, one.mean, one.minimum, one.maximum, gap_of(found, one), style)
        for style, (name, one) in enumerate(group.named)
    )
    shown_unit, lines = _in_readers_units(ask, group.unit, lines)
    axes = Axes(
        identity,
        f"{group.title}, {ask.words.instant(found.from_ms)} to {ask.words.instant(found.until_ms)}",
        "; ".join(_words(ask, name, one, group.unit) for name, one in group.named),
        shown_unit,
        found.from_ms,
        found.until_ms,
        ask.zone,
        None,
        group.least_span,
        ask.words.texts.words["months"].split(),
        ask.words.number,
    )
    keys = tuple(KeyLine(Markup(key_mark(line.style)), line.name) for line in lines) if len(lines) > 1 else ()
    outside = any(one.outside for _, one in group.named)
    note = "Readings outside the valid range are left out or cut back to it." if outside else ""
    drawing = Markup(svg(Chart(axes, lines, (), beside.signs, beside.phases)))
    return ChartView(identity, group.title, drawing, keys, note, group.zoom)


def _in_readers_units(ask: Ask, unit: str, lines: tuple[Line, ...]) -> tuple[str, tuple[Line, ...]]:
    if unit != "°C" or not ask.words.fahrenheit:
        return unit, lines

    def warm(values: Sequence[float] | np.ndarray) -> np.ndarray:
        return np.asarray(values, dtype=np.float64) * 1.8 + 32.0

    return "°F", tuple(
        Line(one.name, one.time_ms, warm(one.middle), warm(one.low), warm(one.high), one.gap_ms, one.style)
        for one in lines
    )


def gap_of(found: Curve, column: Column) -> float:
    """From how long on a pause is one: two and a half times what is usual between rows."""
    usual = float(np.median(np.diff(column.time_ms))) if len(column.time_ms) > 1 else 0.0
    return 2.5 * max(usual, float(found.step_ms))


def _words(ask: Ask, name: str, column: Column, unit: str) -> str:
    """What a line shows, for those who do not see it."""
    if not len(column.mean):
        return f"{name}: no readings"
    low, high = (ask.words.amount(value, unit, 2) for value in (column.minimum.min(), column.maximum.max()))
    last = ask.words.amount(float(column.mean[-1]), unit, 2)
    return f"{name}: lowest {low}, highest {high}, at the end {last}"


def _together(found: Curve, quantity: Quantity) -> Column | None:
    """All blocks as one line: lowest, mean and highest of them."""
    blocks = [one for one in found.columns if one.channel.quantity is quantity and one.channel.number and len(one.mean)]
    if not blocks:
        return None
    place = np.concatenate([(one.time_ms - found.from_ms) // found.step_ms for one in blocks])
    every, inverse = np.unique(place, return_inverse=True)
    low, high = np.full(len(every), np.inf), np.full(len(every), -np.inf)
    total, count = np.zeros(len(every)), np.zeros(len(every), np.int64)
    np.minimum.at(low, inverse, np.concatenate([one.minimum for one in blocks]))
    np.maximum.at(high, inverse, np.concatenate([one.maximum for one in blocks]))
    np.add.at(total, inverse, np.concatenate([one.mean for one in blocks]))
    np.add.at(count, inverse, 1)
    times = every * found.step_ms + found.from_ms
    return Column(blocks[0].channel, times, low, total / count, high, count, sum(one.outside for one in blocks))
