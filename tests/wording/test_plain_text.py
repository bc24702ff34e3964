"""Lines of plain text, and templates."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loggerd.wording.filling import capital, fill, one_line, places
from loggerd.wording.layout import Facts, Heading, Paragraph, Points, Table, Title
from loggerd.wording.plain_text import plain, wrap


@given(st.text("abc 12 %V.\n", max_size=300), st.integers(8, 80))
def test_lines_are_short_and_no_word_is_lost(text: str, width: int) -> None:
    lines = wrap(text, "- ", "  ", width)
    assert all(len(line) <= width for line in lines)
    assert "".join("".join(lines).split()).removeprefix("-") == "".join(text.split())


def test_a_number_stays_with_its_unit() -> None:
    assert wrap("it fell to 12.4 V today", width=16) == ["it fell to", "12.4 V today"]
    assert wrap("it was at 95 % today", width=13) == ["it was at", "95 % today"]
    assert wrap("about 24 hours ago", width=9) == ["about 24", "hours ago"]


def test_elements() -> None:
    told = plain(
        [
            Title("Hot", "high", "Now"), Paragraph("It is hot."), Heading("Do"), Points(("Cool it.", "Wait."), True),
            Facts((("Since", "noon"),)), Table(("Day", "Ah"), (("Mon", "1.0"), ("Tue", "20.0"))),
        ]
    )  # fmt: skip
    rule = "=" * 72
    assert told == (
        f"{rule}\nNow\nHot\n{rule}\n\nIt is hot.\n\nDo:\n  1. Cool it.\n  2. Wait.\n\nSince: noon\n\n"
        "Day    Ah\nMon   1.0\nTue  20.0\n"
    )


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ({"subject": "block 7", "x.y": "2 V"}, "block 7 is low: 2 V below. Mend it."),
        ({"subject": "block 7"}, "block 7 is low. Mend it."),
    ],
)
def test_what_is_not_known_is_left_out(values: dict[str, str], told: str) -> None:
    assert fill("{subject} is low[: {x.y} below]. Mend it.", values) == told


def test_a_place_that_must_be_filled() -> None:
    with pytest.raises(KeyError, match="subject"):
        fill("{subject} is low.", {})


@given(st.text())
def test_what_is_filled_in_is_no_template(text: str) -> None:
    assert fill("a {x} b[ {x} c]", {"x": text}) == f"a {text} b {text} c"


def test_places() -> None:
    assert places("{a} [b {c.d}] {a}") == {"a", "c.d"}


@given(st.text())
def test_text_from_outside_becomes_one_line(text: str) -> None:
    told = one_line(text)
    assert told.isprintable()
    assert told == told.strip()


def test_capital() -> None:
    assert capital("the bank") == "The bank"
    assert capital("über") == "Über"
    assert capital("") == ""
