"""Cycles as rows and figures for pages: put to words here, not in templates."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice

from loggerd.analysis.axis import SessionAxis, shown_ms
from loggerd.analysis.figures import CYCLE_FIGURES
from loggerd.model.ledger import Entry, Figure, Instant, MarkSpan
from loggerd.model.marks import Mark
from loggerd.outputs.web.asking import Ask
from loggerd.store.record import FindingPoint, RecordReader
from loggerd.wording.reader import Reader

_HOUR_MS = 3_600_000
_FULL_LATE_MS = 12 * _HOUR_MS
"""A charge is judged at most so long after its end."""
_MOST_FULL, _MOST_MARKS = 2_000, 2_000
_FULL_WORDS = {"full_proven": "full, proven", "full_likely": "full, likely", "ended_early": "ended early"}
_FULL_ORDER = ("full_proven", "full_likely", "ended_early")
_HOURS = {
    "duration_seconds": "Duration",
    "discharge_seconds": "Time in discharge",
    "charge_seconds": "Time in charge",
    "gap_seconds": "Time without readings",
}
NAMES = {
    "discharge_amp_hours": "Amp-hours out",
    "charge_amp_hours": "Amp-hours in",
    "discharge_watt_hours": "Energy out [Wh]",
    "charge_watt_hours": "Energy in [Wh]",
    "charge_factor": "Charge factor",
    "amp_hour_efficiency": "Amp-hour efficiency",
    "watt_hour_efficiency": "Energy efficiency",
    "depth_of_discharge": "Depth",
    "minimum_volts": "Lowest voltage",
    "maximum_volts": "Highest voltage",
    "mean_volts": "Mean voltage",
    "minimum_celsius": "Lowest temperature",
    "maximum_celsius": "Highest temperature",
    "mean_celsius": "Mean temperature",
    "end_of_charge_amps": "Current at the end of the charge",
    "rest_amp_hours": "Net amp-hours at rest",
    "readings_left_out": "Readings left out",
}
_PERCENT = {"amp_hour_efficiency", "watt_hour_efficiency", "depth_of_discharge"}


@dataclass(frozen=True)
class Cell:
    """One figure in a row: value, band below it, and in words why there is none."""

    text: str
    band: str = ""
    why: str = ""


@dataclass(frozen=True)
class ColumnHead:
    """A column of the table. `unit` as it is written in its heading."""

    heading: str
    figure: str
    unit: str
    decimals: int
    factor: float = 1.0
    band: bool = False


COLUMNS = (
    ColumnHead("Out", "discharge_amp_hours", "Ah", 1, band=True),
    ColumnHead("In", "charge_amp_hours", "Ah", 1, band=True),
    ColumnHead("Charge factor", "charge_factor", "Ah per Ah", 3, band=True),
    ColumnHead("Ah efficiency", "amp_hour_efficiency", "%", 0, 100.0),
    ColumnHead("Wh efficiency", "watt_hour_efficiency", "%", 0, 100.0),
    ColumnHead("Depth", "depth_of_discharge", "%", 0, 100.0, band=True),
    ColumnHead("Lowest", "minimum_volts", "V", 2),
    ColumnHead("Highest", "maximum_volts", "V", 2),
    ColumnHead("End current", "end_of_charge_amps", "A", 2),
    ColumnHead("Mean temperature", "mean_celsius", "°C", 0),
)


@dataclass(frozen=True)
class CycleRow:
    """One cycle in the table. `number`: of its page, None while it is open."""

    number: int | None
    start: str
    hours: str
    cells: tuple[Cell, ...]
    full: str
    doubts: str


def row_of(
    reader: Reader, number: int | None, entry: Entry, times: tuple[int, int], full: str, doubts: str
) -> CycleRow:
    """`times`: start and end as they are shown [epoch ms]."""
    hours = reader.number((times[1] - times[0]) / _HOUR_MS, 1)
    cells = tuple(_cell(reader, _figure(entry, column.figure), column) for column in COLUMNS)
    return CycleRow(number, reader.instant(times[0]), hours, cells, full, doubts)


def heads(reader: Reader) -> list[tuple[str, str]]:
    """Headings and units, in the units of who reads."""
    return [(one.heading, "°F" if one.unit == "°C" and reader.fahrenheit else one.unit) for one in COLUMNS]


def _figure(entry: Entry, name: str) -> Figure:
    return next((one for one in entry.figures if one.name == name), Figure(name, None, reason="an older ledger"))


def _cell(reader: Reader, figure: Figure, column: ColumnHead) -> Cell:
    if figure.value is None:
        return Cell("–", why=figure.reason)
    text = _number(reader, figure.value, column)
    if not column.band:
        return Cell(text)
    if figure.low is None or figure.high is None:
        return Cell(text, "at least" if figure.reason else "", figure.reason)
    low, high = (_number(reader, bound, column) for bound in (figure.low, figure.high))
    return Cell(text, f"{low} to {high}")


def _number(reader: Reader, value: float, column: ColumnHead) -> str:
    if column.unit == "°C" and reader.fahrenheit:
        value = 32.0 + 1.8 * value
    return reader.number(value * column.factor, column.decimals)


@dataclass(frozen=True)
class FigureLine:
    """One figure of a cycle in full: name, value with band, what it is."""

    name: str
    value: str
    meaning: str


def figure_lines(reader: Reader, entry: Entry) -> list[FigureLine]:
    """All figures of a cycle with their bands or reasons, in the order of the catalogue."""
    lines = []
    for spec in CYCLE_FIGURES:
        figure = _figure(entry, spec.name)
        if spec.name in _HOURS:
            lines.append(FigureLine(_HOURS[spec.name], _hours_text(reader, figure), spec.explanation))
            continue
        unit, decimals = ("", 0) if spec.unit == "Wh" else (spec.unit, spec.decimals)
        if spec.name in _PERCENT:
            figure = _scaled(figure, 100.0)
            unit, decimals = "%", 1
        lines.append(
            FigureLine(NAMES.get(spec.name, spec.name), reader.banded(figure, unit, decimals), spec.explanation)
        )
    return lines


def _hours_text(reader: Reader, figure: Figure) -> str:
    return reader.banded(_scaled(figure, 1 / 3600.0), "h", 1)


def _scaled(figure: Figure, factor: float) -> Figure:
    low, high = (None if bound is None else bound * factor for bound in (figure.low, figure.high))
    value = None if figure.value is None else figure.value * factor
    return Figure(figure.name, value, low, high, figure.reason)


def full_words(record: RecordReader, bank: str, entries: Sequence[Entry]) -> list[str]:
    """Of each cycle whether a charge in it filled the bank, by the findings on the charges that lie within it."""
    if not entries:
        return []
    begin = min(one.start.at_ms for one in entries)
    end = max(one.end.at_ms for one in entries)
    told = record.findings_named(bank, "full_charge.last", begin, end + _FULL_LATE_MS, _MOST_FULL)
    return [_full(told, one.start, one.end) for one in entries]


def _full(told: Iterable[FindingPoint], start: Instant, end: Instant) -> str:
    verdicts = {one.verdict for one in told if start.at_ms <= _charge_ms(one) <= end.at_ms}
    best = next((one for one in _FULL_ORDER if one in verdicts), None)
    return _FULL_WORDS[best] if best else "not known"


def _charge_ms(told: FindingPoint) -> int:
    """The middle of the charge that a finding speaks of: its ends are rounded to frames of some minutes."""
    if told.basis_from_ms is None or told.basis_until_ms is None:
        return told.at_ms
    return (told.basis_from_ms + told.basis_until_ms) // 2


def marks_within(record: RecordReader, bank: str, from_ms: int, until_ms: int) -> list[MarkSpan]:
    """Doubted stretches, at most some thousands."""
    return [one.span for one in islice(record.marks(bank, None, from_ms, until_ms), _MOST_MARKS)]


def doubts_text(reader: Reader, entry: Entry, marks: Iterable[MarkSpan]) -> str:
    """Doubts of one cycle in few words: hours without readings, doubted stretches."""
    gap = _figure(entry, "gap_seconds")
    words = []
    if gap.value is None and gap.reason:
        words.append("pause of unknown length")
    elif gap.value:
        words.append(f"{reader.amount(gap.value / 3600.0, 'h', 1)} without readings")
    count = sum(1 for one in marks if one.end.at_ms >= entry.start.at_ms and one.start.at_ms < entry.end.at_ms)
    if count:
        words.append(f"{count} doubted {'stretch' if count == 1 else 'stretches'}")
    return ", ".join(words) or "none"


@dataclass(frozen=True)
class Doubt:
    """A doubted stretch in words."""

    when: str
    channel: str
    why: str
    readings: int


def doubts_of(ask: Ask, marks: Iterable[MarkSpan], axes: Mapping[int, SessionAxis], most: int) -> list[Doubt]:
    return [
        Doubt(
            ask.words.instant(shown_ms(axes, one.start)),
            ask.words.subject(one.channel),
            "; ".join(Mark(one.mark).words()),
            one.readings,
        )
        for one in islice(marks, most)
    ]
