"""Intake: marks for values that are doubted. Values are kept as they are; what lies outside the valid range is left
out of sums and said so.

Marks are gathered into spans: marked readings of one channel not more than ten minutes apart. What needs a long look
(a stuck channel) is marked when a phase ends, from its spread.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from loggerd.model.channels import MISSING, Channel, Quantity
from loggerd.model.ledger import Instant, MarkSpan
from loggerd.model.marks import Mark
from loggerd.model.scan import ClockState, Integers

SPAN_MS = 600_000
_SPIKE_MILLIVOLTS_PER_CELL = 100
_SPIKE_MILLICELSIUS = 5_000
_LEAST_TAP_READINGS = 3
_REPEATED_WITHIN_MS = 1000
_CLOCK_JUMP_MS = 600_000
"""A clock that is kept is put right by less: a quartz takes two months to go wrong by so much (100 ppm, common
practice, no source)."""


@dataclass
class _OpenSpan:
    session: int
    start_ms: int
    end_session: int
    end_ms: int
    readings: int


@dataclass
class SpanTracker:
    """Open spans by (channel, mark)."""

    open: dict[str, _OpenSpan] = field(default_factory=dict)

    def add(self, channel: str, mark: Mark, session: int, at_ms: Integers) -> list[MarkSpan]:
        """Add marked readings (rising times); returns spans that they show to have ended."""
        closed = []
        breaks = np.flatnonzero(np.diff(at_ms) > SPAN_MS) + 1
        for group in np.split(at_ms, breaks):
            first, last = int(group[0]), int(group[-1])
            key = _key(channel, mark)
            span = self.open.get(key)
            if span is not None and first - span.end_ms <= SPAN_MS:
                span.end_session, span.end_ms = session, last
                span.readings += len(group)
                continue
            if span is not None:
                closed.extend(_span(key, span))
            self.open[key] = _OpenSpan(session, first, session, last, len(group))
        return closed

    def settle(self, until_ms: int, undecided: Mapping[tuple[str, Mark], int]) -> list[MarkSpan]:
        """Spans that ended long enough before `until_ms`, or before the instant from which a mark is undecided."""
        until = {_key(channel, mark): at_ms for (channel, mark), at_ms in undecided.items()}
        keys = [key for key, span in self.open.items() if until.get(key, until_ms) - span.end_ms > SPAN_MS]
        return [span for key in keys for span in _span(key, self.open.pop(key))]

    def finish(self) -> list[MarkSpan]:
        """All spans still open, as they stand."""
        return [span for key, opened in self.open.items() for span in _span(key, opened)]

    def to_plain(self) -> dict[str, object]:
        return {key: list(vars(span).values()) for key, span in self.open.items()}

    def load_plain(self, plain: dict[str, list[int]]) -> None:
        self.open = {key: _OpenSpan(*numbers) for key, numbers in plain.items()}


def _key(channel: str, mark: Mark) -> str:
    return f"{channel}/{int(mark)}"


def _span(key: str, span: _OpenSpan) -> list[MarkSpan]:
    channel, number = key.rsplit("/", 1)
    mark = int(number)
    if mark == Mark.TAPS_DISAGREE and span.readings < _LEAST_TAP_READINGS:
        return []  # a load that switched between two polls
    return [
        MarkSpan(
            channel, mark, Instant(span.session, span.start_ms), Instant(span.end_session, span.end_ms), span.readings
        )
    ]


@dataclass(frozen=True)
class Cleaned:
    """Values with MISSING where they may not be summed, and the times of marked readings."""

    values: Integers
    marked: tuple[tuple[Mark, Integers], ...]
    excluded: int


def check_range(values: Integers, at_ms: Integers, valid: tuple[int, int]) -> Cleaned:
    """Mark readings outside (low, high) in fine units, and readings that are no number."""
    low, high = int(values.min()), int(values.max())
    if low >= valid[0] and high <= valid[1]:
        return Cleaned(values, (), 0)
    beyond = values < valid[0]
    if high > valid[1]:
        beyond |= values > valid[1]
    # A missing value is the lowest number there is; few are beyond, and only those are looked at.
    at = np.flatnonzero(beyond)
    missing = values[at] == MISSING
    marked = []
    if missing.any():
        marked.append((Mark.UNREADABLE, at_ms[at[missing]]))
    outside = at[~missing]
    if len(outside):
        marked.append((Mark.OUT_OF_RANGE, at_ms[outside]))
        values = values.copy()
        values[outside] = MISSING
    return Cleaned(values, tuple(marked), len(outside))


def spike_limit(channel: Channel, cells: int) -> int | None:
    """The jump, in fine units, that a single reading can't make and unmake; None where it can (current)."""
    if channel.quantity is Quantity.VOLTS:
        return _SPIKE_MILLIVOLTS_PER_CELL * cells
    if channel.quantity is Quantity.CELSIUS:
        return _SPIKE_MILLICELSIUS
    return None


@dataclass
class SpikeWatch:
    """Finds readings that jump away from both neighbours while the current stood still. Keeps the last two readings."""

    limit: int
    current_limit: int
    kept: list[list[int]] = field(default_factory=lambda: [[], [], []])

    def push(self, at_ms: Integers, values: Integers, milliamps: Integers | None) -> Integers:
        """Times of spikes known with these readings; `milliamps` (n,) if the same device reads the current."""
        if len(values) == 0:
            return values
        amps = milliamps if milliamps is not None else np.zeros(len(values), dtype=np.int64)
        head = [
            np.concatenate([np.array(kept, dtype=np.int64), new[:2]])
            for kept, new in zip(self.kept, (at_ms, values, amps), strict=True)
        ]
        last = head if len(values) < 2 else (at_ms, values, amps)
        self.kept = [column[-2:].tolist() for column in last]
        # Where the kept readings meet the new ones, then inside the new ones.
        return np.concatenate([self._spikes(*head), self._spikes(at_ms, values, amps)])

    def _spikes(self, at_ms: Integers, v: Integers, i: Integers) -> Integers:
        """Times of spikes among readings that have a neighbour on both sides."""
        step = v[1:] - v[:-1]
        if len(v) < 3 or max(int(step.max()), -int(step.min())) <= self.limit:
            return at_ms[:0]
        # Steps from and to a missing value are nonsense here, and are sorted out below.
        large = np.flatnonzero((step > self.limit) | (step < -self.limit))
        k = large[1:][large[1:] == large[:-1] + 1]
        if not len(k):
            return at_ms[:0]
        known = (v[k - 1] != MISSING) & (v[k] != MISSING) & (v[k + 1] != MISSING)
        k = k[known]
        returns = np.abs(step[k - 1] + step[k]) < self.limit // 4
        moved = np.where((i[k - 1] == MISSING) | (i[k] == MISSING), 0, i[k] - i[k - 1])
        found: Integers = at_ms[k[returns & (np.abs(moved) < self.current_limit)]]
        return found


@dataclass
class ClockWatch:
    """Watches the wall clock of one device's scans. `last`: session, time and offset of the latest scan; `was_set`:
    whether the clock was set then; `jumps`: times and sizes [ms] of the jumps of the latest push."""

    last: list[int] | None = None
    was_set: bool = False
    jumps: list[tuple[int, int]] = field(default_factory=list)

    def push(self, session: int, at_ms: Integers, offset_ms: Integers, clock: Integers) -> list[tuple[Mark, Integers]]:
        """Marks of the wall clock: not set, running backward, standing still. Each session has a clock of its own."""
        marks: list[tuple[Mark, Integers]] = []
        was_set, self.jumps = self.was_set, []
        self.was_set = int(clock[-1]) == ClockState.SET
        if int(clock.max()) != ClockState.SET:
            marks.append((Mark.CLOCK_NOT_SET, at_ms[clock == ClockState.NOT_SET]))
        before = self.last if self.last is not None and self.last[0] == session else None
        offset_before = before[2] if before else int(offset_ms[0])
        self.last = [session, int(at_ms[-1]), int(offset_ms[-1])]
        if int(offset_ms.min()) == int(offset_ms.max()) == offset_before:
            return marks
        # A first scan has no step: one that only goes forward stands in.
        step = np.diff(at_ms, prepend=before[1] if before else int(at_ms[0]) - 1)
        moved = np.diff(offset_ms, prepend=offset_before)
        wall_step = step + moved
        is_set = clock == ClockState.SET
        # A clock that is set for the first time jumps by right.
        jumped = (np.abs(moved) >= _CLOCK_JUMP_MS) & is_set & np.concatenate([[was_set], is_set[:-1]])
        self.jumps = list(zip(at_ms[jumped].tolist(), moved[jumped].tolist(), strict=True))
        for mark, found in ((Mark.BACKWARD_TIME, wall_step < 0), (Mark.REPEATED_TIME, wall_step == 0)):
            if found.any():
                marks.append((mark, at_ms[found]))
        return marks


def out_of_place(at_ms: Integers, offset_ms: Integers) -> list[tuple[Mark, Integers]]:
    """Marks of rows of a file whose time does not follow the row before.

    Such a row stands a millisecond after the row before it, with its own time as `offset_ms` (n,) from there: just
    behind it if the time was repeated, anywhere else if it ran backward or far ahead.
    """
    if not offset_ms.any():
        return []
    repeated = (offset_ms < 0) & (offset_ms > -_REPEATED_WITHIN_MS)
    marks = []
    for mark, found in ((Mark.REPEATED_TIME, repeated), (Mark.BACKWARD_TIME, (offset_ms != 0) & ~repeated)):
        if found.any():
            marks.append((mark, at_ms[found]))
    return marks


def taps_disagree(total_millivolts: Integers, bank_millivolts: Integers, same_device: bool) -> npt.NDArray[np.bool_]:
    """Where block voltages do not add up to the bank voltage.

    Within 0.5 % or 0.1 V when one device reads both, 1 % and 0.1 V when two do, a moment apart (common practice,
    no source). (n,) millivolts each, MISSING allowed.
    """
    least = 100 if same_device else 200
    apart = total_millivolts - bank_millivolts
    result: npt.NDArray[np.bool_] = (apart > least) | (apart < -least)
    # What is beyond the least that is allowed is rare, a missing value among it: only that is looked at closely.
    at = np.flatnonzero(result)
    taps, bank = total_millivolts[at], bank_millivolts[at]
    share = 5 if same_device else 10
    allowed = np.maximum(100, np.abs(bank) * share // 1000) + (0 if same_device else 100)
    result[at] = (taps != MISSING) & (bank != MISSING) & (np.abs(taps - bank) > allowed)
    return result
