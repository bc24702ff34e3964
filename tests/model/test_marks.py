"""Marks in words."""

from __future__ import annotations

from loggerd.model.marks import MARK_WORDS, Mark


def test_every_mark_has_words_of_its_own() -> None:
    marks = [mark for mark in Mark if mark]
    assert list(MARK_WORDS) == marks
    assert len(set(MARK_WORDS.values())) == len(marks)


def test_several_marks_of_one_value() -> None:
    both = Mark.SPIKE | Mark.CLOCK_NOT_SET
    assert both.words() == ["a jump of a single reading", "the clock was not set"]
    assert Mark.NONE.words() == []


def test_marks_are_single_bits_that_never_change_their_meaning() -> None:
    """They stand in records: a new mark takes a new bit."""
    assert {mark.name: int(mark) for mark in Mark} == {
        "OUT_OF_RANGE": 1,
        "SPIKE": 2,
        "STUCK": 4,
        "GAP_BEFORE": 8,
        "REPEATED_TIME": 16,
        "BACKWARD_TIME": 32,
        "CLOCK_NOT_SET": 64,
        "TAPS_DISAGREE": 128,
        "COUNTER_RESET": 256,
        "UNREADABLE": 512,
    }
