"""Charts are well-formed, escaped, lose no dip, and have round ticks in local time."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from itertools import pairwise
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from loggerd.wording.chart import (
    BOTTOM,
    HEIGHT,
    LEFT,
    MONTHS,
    RIGHT,
    TOP,
    WIDTH,
    Axes,
    Chart,
    Line,
    Points,
    Sign,
    Stretch,
    key_mark,
    svg,
)
from loggerd.wording.chart_axes import decimals_of, number_step, number_ticks, time_ticks
from loggerd.wording.chart_bars import Pair, paired_bars

VIENNA = ZoneInfo("Europe/Vienna")
HOUR_MS, DAY_MS = 3_600_000, 86_400_000
NASTY = """<script>alert('x')</script> & "block" ]]>"""
SVG = "{http://www.w3.org/2000/svg}"


def at(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def axes(**more: object) -> Axes:
    start = at("2026-05-01T00:00+02:00")
    plain = {"identity": "a", "title": "t", "words": "w", "unit": "V", "from_ms": start, "until_ms": start + DAY_MS}
    return Axes(**{**plain, "zone": VIENNA, **more})  # type: ignore[arg-type]


def tree(text: str) -> ElementTree.Element:
    return ElementTree.fromstring(text)


def test_everything_that_is_named_is_escaped_and_the_whole_is_xml() -> None:
    start = axes().from_ms
    chart = Chart(
        axes(title=NASTY, words=NASTY, unit=NASTY),
        [Line(NASTY, [start, start + HOUR_MS], [1.0, 2.0], [0.5, 1.0], [1.5, 3.0])],
        [Points(NASTY, [start], [1.0], [0.0], [None], style) for style in range(4)],
        [Sign(start + HOUR_MS, NASTY, NASTY)],
        [Stretch(start, start + 8 * HOUR_MS, letter) for letter in "CRD"],
    )
    root = tree(svg(chart))
    assert root.findtext(f"{SVG}title") == NASTY
    assert root.findtext(f"{SVG}desc") == NASTY
    assert root.get("aria-labelledby") == "a-title a-words"
    assert {one.tag.removeprefix(SVG) for one in root.iter()} <= {
        "svg", "title", "desc", "defs", "clipPath", "rect", "pattern", "path", "g", "text", "circle",
    }  # fmt: skip
    assert "style=" not in svg(chart)
    tree(key_mark(2, points=True))
    tree(paired_bars(axes(title=NASTY, unit=NASTY), [Pair(NASTY, 1.0, None)], NASTY))


def test_a_dip_of_one_reading_is_a_stroke_of_its_own() -> None:
    start = axes().from_ms
    times = start + np.arange(100) * 600_000
    middle = np.full(100, 50.0)
    low = middle.copy()
    low[37] = 42.0
    root = tree(svg(Chart(axes(), [Line("volts", times, middle, low, middle)])))
    reach = next(one for one in root.iter(f"{SVG}path") if one.get("class") == "reach")
    strokes = re.findall(r"M([\d.]+) ([\d.]+)V([\d.]+)", reach.get("d") or "")
    assert len(strokes) == 1
    x, bottom, top = map(float, strokes[0])
    assert x == pytest.approx(LEFT + (WIDTH - LEFT - RIGHT) * 37 / 144, abs=0.06)
    assert float(bottom) > HEIGHT - BOTTOM - 0.06 * HEIGHT
    assert float(top) < TOP + 0.06 * HEIGHT


def test_a_line_breaks_where_nothing_is_known() -> None:
    start = axes().from_ms
    times = [start, start + HOUR_MS, start + 9 * HOUR_MS, start + 20 * HOUR_MS, start + 21 * HOUR_MS]
    root = tree(svg(Chart(axes(), [Line("volts", times, [1.0, 2.0, 3.0, 2.0, 1.0], gap_ms=2 * HOUR_MS)])))
    path = next(one.get("d") or "" for one in root.iter(f"{SVG}path") if one.get("class") == "middle")
    assert re.sub(r"[\d. ]", "", path) == "MLMhML", "a lonely reading is a dot"


def test_an_empty_chart_says_so_and_one_value_is_no_division_by_zero() -> None:
    assert "no readings in this time" in svg(Chart(axes(), [Line("volts", [], [])]))
    one = Line("volts", [axes().from_ms], [50.0], [50.0], [50.0])
    assert "nan" not in svg(Chart(axes(), [one])).lower()


@pytest.mark.parametrize(("low", "high"), [(0.0, 1.0), (47.68, 60.82), (-23.0, 16.0), (1e-4, 3e-4), (0.0, 8e6)])
def test_values_have_few_round_ticks_within_the_axis(low: float, high: float) -> None:
    ticks = number_ticks(low, high)
    assert 2 <= len(ticks) <= 6
    assert low - 1e-9 <= ticks[0]
    assert ticks[-1] <= high * (1 + 1e-9)
    step = number_step(low, high, 5)
    texts = [f"{tick:.{decimals_of(step)}f}" for tick in ticks]
    assert len(set(texts)) == len(ticks)
    assert [float(text) for text in texts] == pytest.approx(ticks)


@pytest.mark.parametrize("hours", [0.1, 1, 5, 12, 24, 48, 24 * 7, 24 * 30, 24 * 90, 24 * 365, 24 * 365 * 12])
def test_times_have_few_round_ticks_within_the_axis(hours: float) -> None:
    start = at("2026-03-20T07:13:11+01:00")
    ticks = time_ticks(start, start + round(hours * HOUR_MS), VIENNA, MONTHS)
    assert 1 <= len(ticks) <= 7
    assert all(start <= tick.at < start + hours * HOUR_MS for tick in ticks)
    assert [tick.at for tick in ticks] == sorted({tick.at for tick in ticks})
    for tick in ticks:
        local = datetime.fromtimestamp(tick.at / 1000, UTC).astimezone(VIENNA)
        assert local.second == 0
        if hours > 48:
            assert (local.hour, local.minute) == (0, 0)


def test_local_hours_when_the_clocks_go_back_and_forward() -> None:
    """The European Union's directive 2000/84/EC: last Sundays of March and October, 01:00 UTC."""
    back = time_ticks(at("2026-10-25T00:00+02:00"), at("2026-10-25T05:00+01:00"), VIENNA, MONTHS, 7)
    assert [tick.text for tick in back] == ["25 Oct", "01:00", "02:00", "02:00", "03:00", "04:00"]
    forward = time_ticks(at("2026-03-29T00:00+01:00"), at("2026-03-29T06:00+02:00"), VIENNA, MONTHS)
    assert [tick.text for tick in forward] == ["29 Mar", "01:00", "03:00", "04:00", "05:00"]
    days = time_ticks(at("2026-10-23T00:00+02:00"), at("2026-10-28T00:00+01:00"), VIENNA, MONTHS)
    assert [tick.text for tick in days] == ["23 Oct", "24 Oct", "25 Oct", "26 Oct", "27 Oct"]
    assert {b.at - a.at for a, b in pairwise(days)} == {24 * HOUR_MS, 25 * HOUR_MS}


def test_months_and_years() -> None:
    year = time_ticks(at("2026-03-10T00:00+01:00"), at("2027-03-10T00:00+01:00"), VIENNA, MONTHS)
    assert [tick.text for tick in year] == ["May", "Jul", "Sep", "Nov", "2027", "Mar"]
    decade = time_ticks(at("2016-03-10T00:00+01:00"), at("2026-03-10T00:00+01:00"), VIENNA, MONTHS)
    assert [tick.text for tick in decade] == ["2018", "2020", "2022", "2024", "2026"]


def test_zones_a_quarter_of_an_hour_off_have_round_local_hours() -> None:
    nepal = ZoneInfo("Asia/Kathmandu")
    ticks = time_ticks(at("2026-05-01T00:00+05:45"), at("2026-05-01T06:00+05:45"), nepal, MONTHS)
    assert [tick.text for tick in ticks] == ["1 May", "01:00", "02:00", "03:00", "04:00", "05:00"]


def test_bars_stand_for_their_amounts() -> None:
    root = tree(paired_bars(axes(unit="Ah"), [Pair("a", 10.0, 20.0, (9.0, 11.0), (18.0, 22.0)), Pair("b", None, 5.0)]))
    heights = [
        (one.get("class"), float(one.get("height") or 0))
        for one in root.iter(f"{SVG}rect")
        if (one.get("class") or "").startswith("bar")
    ]
    assert [kind for kind, _ in heights] == ["bar-first", "bar-second", "bar-second"]
    assert heights[1][1] == pytest.approx(2 * heights[0][1], abs=0.2)
    assert heights[2][1] == pytest.approx(heights[0][1] / 2, abs=0.2)
    hatched = [one for one in root.iter(f"{SVG}rect") if (one.get("fill") or "").startswith("url(#a-")]
    assert len(hatched) == 2, "in and out are told apart without colour"
