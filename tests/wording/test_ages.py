"""Ages and signed numbers in words."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from loggerd.settings.texts import load_texts
from loggerd.wording.ages import age_words, heard_words, not_heard_words, signed
from loggerd.wording.reader import Reader

ENGLISH = Reader(load_texts("en"), ZoneInfo("Europe/Vienna"))
GERMAN = Reader(load_texts("de"), ZoneInfo("Europe/Vienna"))
AT_MS = 1_790_000_000_000
"""21 September 2026, 16:13 in Vienna."""


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (-5, "just now"),
        (0.9, "just now"),
        (1, "1 s ago"),
        (119, "119 s ago"),
        (120, "2 min ago"),
        (7199, "119 min ago"),
        (7500, "2 h 05 min ago"),
        (172_799, "47 h 59 min ago"),
        (172_800, "2 days ago"),
    ],
)
def test_ages(seconds: float, words: str) -> None:
    assert age_words(round(seconds * 1000)) == words


def test_what_is_late_says_since_when_and_not_how_long() -> None:
    assert heard_words(ENGLISH, AT_MS, AT_MS + 5000, late=False) == "5 s ago"
    since = "not heard since Mon 21 Sep 2026, 16:13 (UTC+02:00)"
    assert heard_words(ENGLISH, AT_MS, AT_MS + 5000, late=True) == since
    assert not_heard_words(ENGLISH, None) == "never heard"
    assert heard_words(ENGLISH, None, AT_MS, late=False) == "never heard"


@pytest.mark.parametrize(
    ("value", "decimals", "text"), [(12.4, 0, "+12"), (-0.4, 0, "0"), (-12.5, 1, "-12.5"), (0.0, 2, "0.00")]
)
def test_signed_numbers(value: float, decimals: int, text: str) -> None:
    assert signed(ENGLISH, value, decimals) == text


def test_a_signed_number_has_the_readers_comma() -> None:
    assert signed(GERMAN, -1.25, 2) == "-1,25"
