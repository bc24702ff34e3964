"""Times in files of readings: ISO-8601 with or without offset, or epoch seconds, to epoch milliseconds."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, tzinfo

import numpy as np

from loggerd.decoding.csv_cells import Cells, Flags, counts_of_cells
from loggerd.decoding.decimal_text import count_from_text
from loggerd.model.scan import Integers

END_OF_TIMES_MS = 4_102_444_800_000
"""The year 2100. Later times are damaged, or milliseconds where seconds are expected."""

_ISO = re.compile(
    r"(?P<year>[0-9]{4})-(?P<month>[0-9]{2})-(?P<day>[0-9]{2})[Tt ](?P<hour>[0-9]{2}):(?P<minute>[0-9]{2})"
    r"(?::(?P<second>[0-9]{2})(?:[.,](?P<fraction>[0-9]{1,9}))?)?"
    r"(?P<zone>[Zz]|(?P<sign>[+-])(?P<zone_hours>[0-9]{2})(?::?(?P<zone_minutes>[0-9]{2}))?)?"
)
_EPOCH_SECONDS = re.compile(r"[0-9]{1,17}(?:[.,][0-9]*)?")
_DAY_MS = 86_400_000
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def time_from_text(text: str) -> tuple[int, bool] | None:
    """Epoch milliseconds and whether they are local time (no offset written); None when it is no time."""
    if _EPOCH_SECONDS.fullmatch(text):
        seconds = count_from_text(text, 0.001)
        return None if seconds is None else (seconds, False)
    match = _ISO.fullmatch(text)
    if match is None:
        return None
    part = {name: int(value or 0) for name, value in match.groupdict().items() if name not in {"zone", "sign"}}
    try:
        at = datetime(
            part["year"], part["month"], part["day"], part["hour"], part["minute"], part["second"], tzinfo=UTC
        )
    except ValueError:
        return None
    milliseconds = (at - _EPOCH) // timedelta(milliseconds=1) + _fraction_ms(match["fraction"])
    if part["zone_hours"] > 23 or part["zone_minutes"] > 59:
        return None
    offset_ms = (part["zone_hours"] * 60 + part["zone_minutes"]) * 60_000
    return milliseconds + (offset_ms if match["sign"] == "-" else -offset_ms), match["zone"] is None


def _fraction_ms(digits: str | None) -> int:
    return count_from_text(f"0.{digits}", 0.001) or 0 if digits else 0


def times_of_cells(cells: Cells, starts: Integers, ends: Integers) -> tuple[Integers, Flags, Flags]:
    """Epoch milliseconds, which of them are local time, and which cells could be read here.

    Cells are read in groups that are written alike: same length, and like the first of their group.
    """
    times = np.zeros(len(starts), np.int64)
    local = np.zeros(len(starts), np.bool_)
    read = np.zeros(len(starts), np.bool_)
    widths = ends - starts
    for width in np.flatnonzero(np.bincount(widths)) if len(widths) else ():
        group = np.flatnonzero(widths == width)
        at = int(starts[group[0]])
        sample = cells.text[at : at + int(width)].tobytes().decode("latin-1")
        if _EPOCH_SECONDS.fullmatch(sample):
            times[group], read[group] = counts_of_cells(cells, starts[group], ends[group], (1000, 1))
        elif match := _ISO.fullmatch(sample):
            times[group], read[group] = _iso_times(cells, starts[group], match)
            local[group] = match["zone"] is None
    return times, local, read


def _iso_times(cells: Cells, starts: Integers, sample: re.Match[str]) -> tuple[Integers, Flags]:
    """Times written exactly as the sample is, but for the digits."""
    read = np.ones(len(starts), np.bool_)
    for place, character in enumerate(sample.string):
        if not character.isdigit():
            read &= cells.text[starts + place] == ord(character)

    def number(name: str) -> Integers:
        total = np.zeros(len(starts), np.int64)
        for place in range(*sample.span(name)):
            code = cells.plain[starts + place]
            np.logical_and(read, code < 10, out=read)
            total = total * 10 + code
        return total

    hours, minutes, seconds = number("hour"), number("minute"), number("second")
    zone_hours, zone_minutes = number("zone_hours"), number("zone_minutes")
    days, is_date = _days(number("year"), number("month"), number("day"))
    read &= is_date & (hours < 24) & (minutes < 60) & (seconds < 60) & (zone_hours < 24) & (zone_minutes < 60)
    times = days * _DAY_MS + ((hours * 60 + minutes) * 60 + seconds) * 1000
    if sample["fraction"]:
        times += _rounded_ms(number("fraction"), len(sample["fraction"]))
    offsets = (zone_hours * 60 + zone_minutes) * 60_000
    return times + (offsets if sample["sign"] == "-" else -offsets), read


def _days(years: Integers, months: Integers, days: Integers) -> tuple[Integers, Flags]:
    is_date = (years > 0) & (months >= 1) & (months <= 12) & (days >= 1)
    since = np.where(is_date, (years - 1970) * 12 + months - 1, 0).astype("M8[M]")
    first = since.astype("M8[D]").astype(np.int64)
    next_first = (since + 1).astype("M8[D]").astype(np.int64)
    at = first + days - 1
    return at, is_date & (at < next_first)


def _rounded_ms(fractions: Integers, digits: int) -> Integers:
    """Halves go to the even millisecond, as for all other numbers."""
    fractions = fractions * 10 ** max(3 - digits, 0)
    divisor = 10 ** max(digits - 3, 0)
    whole: Integers = fractions // divisor
    doubled = 2 * (fractions - whole * divisor)
    whole += (doubled > divisor) | ((doubled == divisor) & (whole & 1 == 1))
    return whole


_QUARTER_MS = 900_000
_STEP_BACK_MS = 60_000
"""In the hour that comes twice, a step back longer than this begins the second pass; a shorter one is a
clock set right.
"""


class LocalTimes:
    """Turns local times, pushed in the order of the file, into epoch milliseconds.

    The autumn hour that comes twice is told apart by the step back in its middle. Where no such step came,
    its rows are taken as the first pass and counted in `ambiguous`. Times in the spring hour that does not
    exist are refused.
    """

    def __init__(self, timezone: tzinfo) -> None:
        self._timezone = timezone
        self._offsets: dict[int, tuple[int, int]] = {}
        self._last_local_ms = 0
        self._inside = 0
        """Rows of the double hour seen since it was entered, while no step back has come."""
        self._second_pass = False
        self.ambiguous = 0

    def to_utc(self, local_ms: Integers) -> tuple[Integers, Flags]:
        """Epoch milliseconds, and which of the local times exist."""
        if not len(local_ms):
            return local_ms, np.ones(0, np.bool_)
        quarters = local_ms // _QUARTER_MS
        begins = np.flatnonzero(np.diff(quarters, prepend=quarters[0] - 1))
        lengths = np.diff(begins, append=len(local_ms))
        offsets = np.array([self._offsets_at(int(quarters[at])) for at in begins], np.int64)
        first = np.repeat(offsets[:, 0], lengths)
        second = np.repeat(offsets[:, 1], lengths)
        chosen = first.copy()
        twice = first > second
        was_inside = self._inside > 0 or self._second_pass
        for row in np.flatnonzero(twice | np.concatenate(([was_inside], twice[:-1]))):
            before = int(local_ms[row - 1]) if row else self._last_local_ms
            if self._second(int(local_ms[row]), before, bool(twice[row])):
                chosen[row] = second[row]
        self._last_local_ms = int(local_ms[-1])
        return local_ms - chosen, first >= second

    def finish(self) -> None:
        """Count the rows of a double hour in which the file ends."""
        self.ambiguous += self._inside
        self._inside = 0

    def _second(self, local_ms: int, before_ms: int, twice: bool) -> bool:
        if not twice:
            self.finish()
            self._second_pass = False
        elif self._second_pass or (self._inside and local_ms < before_ms - _STEP_BACK_MS):
            self._second_pass = True
            self._inside = 0
        else:
            self._inside += 1
        return self._second_pass

    def _offsets_at(self, quarter: int) -> tuple[int, int]:
        """Offsets of the two readings of a local quarter of an hour (zones change on quarter hours since
        1970).
        """
        if quarter not in self._offsets:
            if len(self._offsets) > 100_000:
                self._offsets.clear()
            local = datetime(1970, 1, 1) + timedelta(milliseconds=quarter * _QUARTER_MS)  # noqa: DTZ001
            first, second = (self._offset_ms(local, fold) for fold in (0, 1))
            self._offsets[quarter] = (first, second)
        return self._offsets[quarter]

    def _offset_ms(self, local: datetime, fold: int) -> int:
        offset = local.replace(tzinfo=self._timezone, fold=fold).utcoffset() or timedelta(0)
        return offset // timedelta(milliseconds=1)
