"""Charts as SVG text: first paint, print and readers without scripts. Lines differ by dashes, points by shape.

Nothing is coloured here: strokes and grounds go by classes, whose colours the style sheet of the page gives. Sizes are
in units of a drawing WIDTH wide, which shrinks to the page; letters are made for the narrowest.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, tzinfo
from typing import Any

import numpy as np
import numpy.typing as npt

from loggerd.wording.chart_axes import decimals_of, number_step, number_ticks, time_ticks
from loggerd.wording.html_text import escape

WIDTH, HEIGHT = 640, 300
LEFT, RIGHT, TOP, BOTTOM = 66, 16, 30, 34
STRIP = 28
"""Height of the strip of phases, where there is one."""
STYLES = 4
"""Kinds of dashes, and of points."""
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_LETTER_ROOM = 22

Floats = npt.NDArray[np.float64]
Number = Callable[[float, int], str]


def plain_number(value: float, decimals: int) -> str:
    """A number with a decimal point."""
    return f"{value:.{decimals}f}"


@dataclass(frozen=True)
class Line:
    """A line with the spread of the readings behind it. Columns of equal length, times rising [epoch ms].

    The line breaks where nothing is known for longer than `gap_ms`. `style`: from 0, which dashes.
    """

    name: str
    time_ms: Sequence[int] | npt.NDArray[np.int64]
    middle: Sequence[float] | Floats
    low: Sequence[float] | Floats = ()
    high: Sequence[float] | Floats = ()
    gap_ms: float = math.inf
    style: int = 0


@dataclass(frozen=True)
class Points:
    """Single figures with their bands; None where a bound is not known. `style`: from 0, which shape."""

    name: str
    time_ms: Sequence[int]
    value: Sequence[float]
    low: Sequence[float | None] = ()
    high: Sequence[float | None] = ()
    style: int = 0


@dataclass(frozen=True)
class Sign:
    """Something that happened: a vertical line with a short label, told in words beside the chart."""

    at_ms: int
    label: str
    words: str


@dataclass(frozen=True)
class Stretch:
    """A phase: a piece of the strip along the bottom, with its letter where there is room."""

    start_ms: int
    end_ms: int
    letter: str


@dataclass(frozen=True)
class Axes:
    """What the axes show. `identity`: begins the names of parts, unique on the page, of letters and digits.

    `limits`: of the values; None for those that are there. `least_span`: a narrower range of values is widened, so
    that noise does not look like an event.
    """

    identity: str
    title: str
    words: str
    unit: str
    from_ms: int
    until_ms: int
    zone: tzinfo = UTC
    limits: tuple[float, float] | None = None
    least_span: float = 0.0
    months: Sequence[str] = MONTHS
    number: Number = plain_number


@dataclass(frozen=True)
class Chart:
    """One drawing: lines, points, what happened, phases."""

    axes: Axes
    lines: Sequence[Line] = ()
    points: Sequence[Points] = ()
    signs: Sequence[Sign] = ()
    phases: Sequence[Stretch] = field(default=())


def svg(chart: Chart) -> str:
    """The drawing as one SVG element, well-formed XML; every text in it is escaped."""
    frame = _frame(chart)
    parts = [_value_axis(frame, chart.axes), _time_axis(frame, chart.axes)]
    parts += [_sign(frame, one) for one in chart.signs if chart.axes.from_ms <= one.at_ms < chart.axes.until_ms]
    parts += [_phases(frame, chart.axes.identity, chart.phases)] if chart.phases else []
    inside = [_line(frame, one) for one in chart.lines] + [_points(frame, one) for one in chart.points]
    clip = f"{chart.axes.identity}-plot"
    if not any(inside):
        parts.append(_text(frame.left + 12, (frame.top + frame.bottom) / 2, "no readings in this time", "start"))
    parts.append(f'<g clip-path="url(#{clip})">{"".join(inside)}</g>')
    definitions = (
        f'<defs><clipPath id="{clip}"><rect x="{frame.left}" y="{frame.top - 2}" width="{frame.width}"'
        f' height="{frame.bottom - frame.top + 4}"/></clipPath>{hatches(chart.axes.identity)}</defs>'
    )
    return drawing(chart.axes, definitions + "".join(parts))


def drawing(axes: Axes, content: str, height: int = HEIGHT) -> str:
    """An SVG element with its title and description for those who do not see it."""
    name = axes.identity
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="chart" viewBox="0 0 {WIDTH} {height}" role="img"'
        f' aria-labelledby="{name}-title {name}-words">'
        f'<title id="{name}-title">{escape(axes.title)}</title><desc id="{name}-words">{escape(axes.words)}</desc>'
        f"{content}</svg>"
    )


def hatches(identity: str) -> str:
    """Patterns for areas: strokes to the right, to the left, and points."""
    shapes = {"c": "M0 14L14 0", "d": "M0 0L14 14", "r": "M6 7h2"}
    return "".join(
        f'<pattern id="{identity}-{letter}" width="14" height="14" patternUnits="userSpaceOnUse">'
        f'<path class="hatch" d="{shape}"/></pattern>'
        for letter, shape in shapes.items()
    )


# -- where things are --


@dataclass(frozen=True)
class Frame:
    """The plot in the drawing, and what its edges stand for."""

    left: float
    right: float
    top: float
    bottom: float
    from_ms: float
    until_ms: float
    low: float
    high: float

    @property
    def width(self) -> float:
        return self.right - self.left

    def x(self, at_ms: float) -> float:
        return float(self.xs(np.asarray(at_ms)))

    def xs(self, at_ms: npt.NDArray[Any]) -> Floats:
        return self.left + self.width * (at_ms - self.from_ms) / (self.until_ms - self.from_ms)

    def y(self, value: float) -> float:
        return float(self.ys(np.asarray(value)))

    def ys(self, value: npt.NDArray[Any]) -> Floats:
        return self.bottom - (self.bottom - self.top) * (value - self.low) / (self.high - self.low)


def _frame(chart: Chart) -> Frame:
    axes = chart.axes
    low, high = axes.limits or _reach(chart)
    if high - low < axes.least_span:
        middle = (low + high) / 2.0
        low, high = middle - axes.least_span / 2.0, middle + axes.least_span / 2.0
    if high <= low:
        low, high = low - 0.5, high + 0.5
    room = 0.04 * (high - low)
    bottom = HEIGHT - BOTTOM - (STRIP if chart.phases else 0)
    return Frame(LEFT, WIDTH - RIGHT, TOP, bottom, axes.from_ms, axes.until_ms, low - room, high + room)


def _reach(chart: Chart) -> tuple[float, float]:
    """From the lowest to the highest of all that is drawn."""
    columns = [one for line in chart.lines for one in (line.middle, line.low, line.high)]
    columns += [
        [value for value in column if value is not None]
        for points in chart.points
        for column in (points.value, points.low, points.high)
    ]
    filled = [np.asarray(column, dtype=np.float64) for column in columns if len(column)]
    values = np.concatenate(filled) if filled else np.zeros(0)
    values = values[np.isfinite(values)]
    return (float(values.min()), float(values.max())) if len(values) else (0.0, 1.0)


# -- parts --


def _value_axis(frame: Frame, axes: Axes) -> str:
    low, high = frame.low, frame.high
    decimals = decimals_of(number_step(low, high, 5))
    parts = [_text(4, 18, axes.unit, "start", "unit")]
    for value in number_ticks(low, high):
        y = frame.y(value)
        parts.append(f'<path class="grid" d="M{frame.left} {y:.1f}H{frame.right}"/>')
        parts.append(_text(frame.left - 6, y + 6, axes.number(value, decimals), "end"))
    return "".join(parts)


def _time_axis(frame: Frame, axes: Axes) -> str:
    parts = [f'<path class="axis" d="M{frame.left} {frame.top}V{HEIGHT - BOTTOM}H{frame.right}"/>']
    for tick in time_ticks(axes.from_ms, axes.until_ms, axes.zone, axes.months):
        x = frame.x(tick.at)
        parts.append(f'<path class="grid" d="M{x:.1f} {frame.top}V{HEIGHT - BOTTOM + 5}"/>')
        # A label near an edge is set inward.
        anchor = "start" if x < frame.left + 24 else "end" if x > frame.right - 24 else "middle"
        parts.append(_text(x, HEIGHT - 8, tick.text, anchor))
    return "".join(parts)


def _sign(frame: Frame, sign: Sign) -> str:
    x = frame.x(sign.at_ms)
    anchor = "end" if x > frame.right - 24 else "middle"
    return (
        f'<g class="sign"><title>{escape(sign.words)}</title>'
        f'<path d="M{x:.1f} {frame.top}V{frame.bottom:.1f}"/>{_text(x, frame.top - 6, sign.label, anchor)}</g>'
    )


def _phases(frame: Frame, identity: str, phases: Sequence[Stretch]) -> str:
    top = frame.bottom + 2
    parts = []
    for one in phases:
        start, end = (min(max(frame.x(at), frame.left), frame.right) for at in (one.start_ms, one.end_ms))
        if end - start < 0.5:
            continue
        fill = f"url(#{identity}-{one.letter.lower()})"
        parts.append(
            f'<rect class="phase" x="{start:.1f}" y="{top:.1f}" width="{end - start:.1f}" height="{STRIP - 4}"'
            f' fill="{fill}"/>'
        )
        if end - start >= _LETTER_ROOM:
            parts.append(
                f'<rect class="plate" x="{(start + end) / 2 - 10:.1f}" y="{top + 1:.1f}" width="20"'
                f' height="{STRIP - 6}"/>{_text((start + end) / 2, top + STRIP - 9, one.letter, "middle", "letter")}'
            )
    return f'<g class="phases-strip">{"".join(parts)}</g>'


def _line(frame: Frame, line: Line) -> str:
    times = np.asarray(line.time_ms, dtype=np.float64)
    if not len(times):
        return ""
    x, y = frame.xs(times).tolist(), frame.ys(np.asarray(line.middle, dtype=np.float64)).tolist()
    parts = [f'<g class="curve s{line.style % STYLES}"><title>{escape(line.name)}</title>']
    if len(line.low):
        lows = frame.ys(np.asarray(line.low, dtype=np.float64)).tolist()
        highs = frame.ys(np.asarray(line.high, dtype=np.float64)).tolist()
        # A stroke from the lowest to the highest of each column: a dip of one reading stays a stroke of its own.
        strokes = [f"M{a:.1f} {b:.1f}V{c:.1f}" for a, b, c in zip(x, lows, highs, strict=True) if b - c > 0.5]
        parts.append(f'<path class="reach" d="{"".join(strokes)}"/>' if strokes else "")
    begins = np.concatenate(([True], np.diff(times) > line.gap_ms))
    alone = begins & np.append(begins[1:], True)
    moves = [
        f"{'M' if begin else 'L'}{a:.1f} {b:.1f}{'h.1' if single else ''}"
        for begin, single, a, b in zip(begins.tolist(), alone.tolist(), x, y, strict=True)
    ]
    return f'{"".join(parts)}<path class="middle" d="{"".join(moves)}"/></g>'


def _points(frame: Frame, points: Points) -> str:
    style = points.style % STYLES
    parts = [f'<g class="points s{style}"><title>{escape(points.name)}</title>']
    for number, (at_ms, value) in enumerate(zip(points.time_ms, points.value, strict=True)):
        x, y = frame.x(at_ms), frame.y(value)
        low = points.low[number] if points.low else None
        high = points.high[number] if points.high else None
        if low is not None and high is not None:
            a, b = frame.y(low), frame.y(high)
            parts.append(f'<path class="band" d="M{x - 4:.1f} {a:.1f}h8m-4 0V{b:.1f}m-4 0h8"/>')
        parts.append(shape(style, x, y))
    return "".join(parts) + "</g>" if points.value else ""


def shape(style: int, x: float, y: float) -> str:
    """A point: circle, square, triangle or cross."""
    if style == 0:
        return f'<circle class="point" cx="{x:.1f}" cy="{y:.1f}" r="5"/>'
    outlines = {1: "m-5 -5h10v10h-10z", 2: "m0 -6l6 11h-12z", 3: "m-5 -5l10 10m0 -10l-10 10"}
    return f'<path class="point" d="M{x:.1f} {y:.1f}{outlines[style]}"/>'


def _text(x: float, y: float, text: str, anchor: str, kind: str = "") -> str:
    named = f' class="{kind}"' if kind else ""
    return f'<text{named} x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(text)}</text>'


label = _text
"""A text in a drawing."""


def key_mark(style: int, *, points: bool = False) -> str:
    """A small drawing of a line or point, to stand before its name."""
    inner = shape(style % STYLES, 18, 8) if points else '<path class="middle" d="M1 8h34"/>'
    kind = "points" if points else "curve"
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" class="key" viewBox="0 0 36 16" aria-hidden="true">'
        f'<g class="{kind} s{style % STYLES}">{inner}</g></svg>'
    )
