"""Marks: why a value is doubted. Marked values are kept; a mark never changes a value."""

from __future__ import annotations

from enum import IntFlag


class Mark(IntFlag):
    """Bits, so that one value can carry several marks."""

    NONE = 0
    OUT_OF_RANGE = 1
    SPIKE = 2
    STUCK = 4
    GAP_BEFORE = 8
    REPEATED_TIME = 16
    BACKWARD_TIME = 32
    CLOCK_NOT_SET = 64
    TAPS_DISAGREE = 128
    COUNTER_RESET = 256
    UNREADABLE = 512

    def words(self) -> list[str]:
        """The marks in plain words."""
        return [MARK_WORDS[mark] for mark in Mark if mark and mark in self]


MARK_WORDS = {
    Mark.OUT_OF_RANGE: "outside the valid range",
    Mark.SPIKE: "a jump of a single reading",
    Mark.STUCK: "stuck: no change where there should be some",
    Mark.GAP_BEFORE: "readings are missing before this one",
    Mark.REPEATED_TIME: "same time as the reading before",
    Mark.BACKWARD_TIME: "time runs backward here",
    Mark.CLOCK_NOT_SET: "the clock was not set",
    Mark.TAPS_DISAGREE: "the block voltages do not add up to the bank voltage",
    Mark.COUNTER_RESET: "the instrument's counter started again",
    Mark.UNREADABLE: "the instrument gave no value",
}
