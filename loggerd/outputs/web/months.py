"""/bank/{bank}/months: how capacity, resistance, spread and rest voltage went over months, with what was done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup
from starlette.responses import Response

from loggerd.analysis.axis import shown_ms
from loggerd.analysis.findings import newest, spec_of
from loggerd.model.access import Need
from loggerd.model.finding import Finding
from loggerd.model.ledger import Instant
from loggerd.outputs.curves import DAY_MS
from loggerd.outputs.web.asking import Ask, Route
from loggerd.outputs.web.curve_views import ChartView, KeyLine, log_signs
from loggerd.outputs.web.time_span import span_of
from loggerd.store.record import FindingPoint
from loggerd.wording.chart import Axes, Chart, Points, Sign, key_mark, svg

MOST_POINTS = 400
"""Of one figure."""
_USUAL_MS = 365 * DAY_MS
_GRADES = ("tested", "observed", "inferred")


@dataclass(frozen=True)
class Source:
    """Points of a chart: the finding they come from; only those of a grade, where `grade` names one."""

    finding: str
    name: str
    grade: str = ""
    worst: bool = False
    """Of the subject whose newest value is the highest, in place of the bank."""
    detail: tuple[str, str] | None = None
    """Details of the finding that stand in for its value, and for half the width of its band."""


@dataclass(frozen=True)
class Topic:
    """One chart of the page. `trend`: findings that tell where it goes."""

    identity: str
    title: str
    sources: tuple[Source, ...]
    trend: tuple[str, ...] = ()
    least_span: float = 0.0
    form: tuple[str, int] | None = None
    """Unit and decimals where they are not those of the finding."""


_FORECAST = "trends.end_of_life"
_NO_FORECAST = "No forecast of the end of its life: there are not yet enough months with a capacity in them."
_REST = ("volts_per_cell", "volts_half_width")
TOPICS = (
    Topic(
        "capacity",
        "Capacity, by witness",
        (
            Source("capacity.observed", "tested by a discharge test", "tested"),
            Source("capacity.observed", "observed, full to the end voltage", "observed"),
            Source("capacity.inferred", "inferred from shorter discharges"),
        ),
        ("capacity.summary", "trends.capacity", "trends.end_of_life"),
        10.0,
    ),
    Topic(
        "resistance",
        "Resistance of the bank",
        (Source("resistance.bank", "the bank with its joints"),),
        ("resistance.trend", "trends.resistance"),
        1.0,
    ),
    Topic("block", "Resistance of the worst block", (Source("resistance.block", "worst block", worst=True),), (), 0.5),
    Topic(
        "spread",
        "Spread of the blocks at rest after a charge",
        (Source("blocks.spread", "highest less lowest"),),
        ("trends.spread", "blocks.weakest"),
        5.0,
    ),
    Topic(
        "rest",
        "Rest voltage per cell, at 25 °C, at any state of charge",
        (
            Source("rest.state_of_charge", "settled", "observed", detail=_REST),
            Source("rest.state_of_charge", "extrapolated", "inferred", detail=_REST),
        ),
        ("rest.state_of_charge", "rest.after_full", "trends.rest_volts"),
        0.05,
        ("V per cell", 3),
    ),
    Topic(
        "full",
        "Days since full",
        (Source("full_charge.days_since", "since full was proven"),),
        ("full_charge.days_since",),
        2.0,
    ),
)


@dataclass(frozen=True)
class Said:
    """What a finding says now, and why."""

    says: str
    why: str


@dataclass(frozen=True)
class TopicView:
    """One part of the page. `chart` is None where nothing was found yet; `saying`: trends, forecasts or refusals."""

    title: str
    chart: ChartView | None
    newest: str
    saying: tuple[Said, ...]


def _months(ask: Ask) -> Response:
    bank = ask.bank()
    from_ms, until_ms = span_of(ask)
    until = ask.clock.wall_ms() if until_ms is None else until_ms
    begin = max(until - _USUAL_MS, 0) if from_ms is None else from_ms
    begin = min(begin, until - DAY_MS)
    known = newest(one.finding for one in ask.record.newest_findings(bank))
    signs = log_signs(ask, bank, begin, until)
    gather = _Gather(ask, bank, (begin, until), known)
    return ask.page(
        "months.html",
        bank=bank,
        topics=[_view(ask, gather, topic, signs) for topic in TOPICS],
        signs=signs,
        begins=ask.words.date(begin),
        ends=ask.words.date(until),
        years=[(years, f"?from={_years_before(ask, until, years)}") for years in (1, 2, 5, 10)],
        from_day=ask.words.local(begin).date().isoformat(),
        until_day=ask.words.local(until - 1).date().isoformat(),
    )


def _years_before(ask: Ask, until: int, years: int) -> str:
    return ask.words.local(max(until - years * _USUAL_MS, 0)).date().isoformat()


class _Gather:
    """Findings of a bank over a stretch of time."""

    def __init__(self, ask: Ask, bank: str, span: tuple[int, int], known: Sequence[Finding]) -> None:
        self.ask, self.bank, self.span, self.known = ask, bank, span, known
        begin, until = span
        self._edges = [begin + (until - begin) * place // MOST_POINTS for place in range(MOST_POINTS + 1)]

    def points(self, source: Source) -> tuple[str, list[FindingPoint]]:
        """Of which subject, and its points: at most MOST_POINTS."""
        subject = self._worst(source.finding) if source.worst else "bank"
        if not subject:
            return "", []
        found = self.ask.record.finding_history(self.bank, (source.finding, subject), self._edges, source.detail)
        chosen = [
            one
            for one in found
            if one.value is not None and one.grade != "cannot tell" and source.grade in ("", one.grade)
        ]
        return subject, chosen

    def _worst(self, name: str) -> str:
        values = {one.subject: one.value for one in self.known if one.name == name and one.value is not None}
        return max(values, key=lambda subject: values[subject]) if values else ""

    def shown(self, point: FindingPoint) -> int:
        return shown_ms(self.ask.axes, Instant(point.at_session, point.at_ms))

    def saying(self, names: Sequence[str]) -> tuple[Said, ...]:
        """What holds now, of the bank."""
        by_name = {one.name: one for one in self.known if one.subject == "bank"}
        found = [by_name[name] for name in names if name in by_name]
        english = self.ask.words.texts.english
        said = [Said(self.ask.words.trusted(one), one.reason if english else "") for one in found]
        if _FORECAST in names and _FORECAST not in by_name:
            said.append(Said(_NO_FORECAST, ""))
        return tuple(said)


def _view(ask: Ask, gather: _Gather, topic: Topic, signs: Sequence[Sign]) -> TopicView:
    spec = spec_of(topic.sources[0].finding)
    unit, decimals = topic.form or (spec.unit, spec.decimals)
    series, keys, words, last = [], [], [], ""
    title = topic.title
    for style, source in enumerate(topic.sources):
        subject, found = gather.points(source)
        if not found:
            continue
        name = source.name
        if source.worst:
            name = ask.words.subject(subject)
            title = f"Resistance of the worst block: {name}"
        series.append(
            Points(
                name,
                [gather.shown(one) for one in found],
                [one.value or 0.0 for one in found],
                [one.low for one in found],
                [one.high for one in found],
                style,
            )
        )
        keys.append(KeyLine(Markup(key_mark(style, points=True)), name))
        value = ask.words.amount(found[-1].value or 0.0, unit, decimals)
        words.append(f"{name}: {len(found)} points, the last {value}")
        last = last or f"{value} ({name}), {ask.words.date(gather.shown(found[-1]))}"
    chart = None
    if series:
        begin, until = gather.span
        axes = Axes(
            topic.identity, title, "; ".join(words), ask.words.texts.units[unit], begin, until, ask.zone, None,
            topic.least_span, ask.words.texts.words["months"].split(), ask.words.number,
        )  # fmt: skip
        chart = ChartView(topic.identity, title, Markup(svg(Chart(axes, (), series, signs))), tuple(keys))
    return TopicView(title, chart, last, gather.saying(topic.trend))


ROUTES: tuple[Route, ...] = (Route("/bank/{bank}/months", _months, Need.READER),)
