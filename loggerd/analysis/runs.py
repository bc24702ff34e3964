"""Stage 2: readings of the current to runs: maximal stretches of one label, with exact sums.

The builder keeps one reading back: interval (k-1, k] is only known when reading k is there. While the current moves
smoothly, half of an interval belongs to the reading before it and half to the one after (the trapezoid rule). Where it
jumps, the load was switched somewhere in between: there the whole interval goes with the reading after it, so a run
begins at the last reading of the run before. What a switch-on loses or gains by that, the switch-off gives back; and
readings taken at the instant of a switch, which still see the old state, come out exact. A long gap splits a run.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from itertools import repeat

import numpy as np

from loggerd.analysis.intervals import FILL_LIMIT_MS, Extended, LeadColumns, Previous, RunBounds, interval_sums
from loggerd.analysis.plan import Thresholds
from loggerd.analysis.stretch import SpreadColumn, SpreadRows, Stretch, stretch_from_plain, stretch_to_plain
from loggerd.model.channels import MISSING
from loggerd.model.scan import Integers

_SHARES = (
    ("charge2", "out2", "in2"),
    ("energy2", "out_energy2", "in_energy2"),
    ("time2", "out_time2", "in_time2"),
)
_SUMS = [one.name for one in fields(Stretch)]
_SUMS = _SUMS[_SUMS.index("readings") + 1 : _SUMS.index("tail_count")]
"""What a run is made with beside its place and its number of readings, in the order of its fields."""
TAIL_MS = 300_000
"""The end-of-charge current is the mean over the last five minutes."""


@dataclass(frozen=True)
class SideColumn:
    """Readings of another channel: at_ms (n,) rising, values (n,), MISSING allowed."""

    name: str
    at_ms: Integers
    values: Integers


@dataclass
class RunBuilder:
    """Folds lead readings into closed runs. `open` is the run under way; `previous` its last reading."""

    thresholds: Thresholds
    gap_ms: int
    step_milliamps: int
    previous: Previous | None = None
    open: Stretch | None = None
    tail: list[list[int]] = field(default_factory=lambda: [[], [], []])
    held: dict[str, list[list[int]]] = field(default_factory=dict)

    def push(self, lead: LeadColumns, sides: list[SideColumn]) -> list[Stretch]:
        """Runs that these readings closed. Side readings later than the last lead reading are held back."""
        if len(lead.at_ms) == 0:
            self._hold(sides, self.previous.at_ms if self.previous else None)
            return []
        work = Extended.of(lead, self.previous, self.thresholds)
        cuts = work.cuts(self.gap_ms)
        sums = interval_sums(work, self.gap_ms, self.step_milliamps)
        bounds = work.bounds(cuts, self.gap_ms)
        stretches = self._assemble(work, cuts, bounds, sums)
        self._add_sides(stretches, work, bounds, sides)
        self._finish_tails(stretches, work, cuts)
        self.previous = Previous(int(work.at[-1]), int(work.current[-1]), int(work.volts[-1]), int(work.labels[-1]))
        self.open = stretches.pop()
        return stretches

    def _assemble(self, work: Extended, cuts: Integers, bounds: RunBounds, sums: dict[str, Integers]) -> list[Stretch]:
        """One stretch for each run in the extended arrays; the first continues the open run if there is one."""
        labels = work.labels[cuts]
        totals = {name: np.add.reduceat(values, cuts) for name, values in sums.items()}
        # All of a run is discharge, charge, or neither.
        for total, way_out, way_in in _SHARES:
            totals[way_out], totals[way_in] = totals[total] * (labels < 0), totals[total] * (labels > 0)
        totals["first_jump"] = bounds.jumps
        columns = {name: column.tolist() for name, column in totals.items()}
        counts = np.diff(cuts, append=len(work.at)).tolist()
        # By position: by name, or one by one, takes twice as long, and a truck has hundreds of runs an hour.
        stretches = list(
            map(
                Stretch,
                labels.tolist(),
                repeat(work.session),
                bounds.starts_ms.tolist(),
                repeat(work.session),
                bounds.ends_ms.tolist(),
                counts,
                *(columns.get(name, repeat(0)) for name in _SUMS),
            )
        )
        if work.continues:
            stretches[0] = self._continued(stretches[0])
        return stretches

    def _continued(self, more: Stretch) -> Stretch:
        """The open run with what this push added to it. Its last reading stands again at the head of the arrays."""
        assert self.open is not None
        run = self.open
        run.end_session, run.end_ms = more.end_session, more.end_ms
        more.readings -= 1
        run.add_sums(more)
        return run

    def _add_sides(self, stretches: list[Stretch], work: Extended, bounds: RunBounds, sides: list[SideColumn]) -> None:
        begin = 1 if work.continues else 0
        at = work.at[begin:]
        own = [SideColumn("amps", at, work.current[begin:]), SideColumn("volts", at, work.volts[begin:])]
        finder = _RunFinder(np.column_stack([bounds.after_ms, bounds.ends_ms]))
        found = [_spread_column(finder, side) for side in [*own, *self._with_held(sides, int(work.at[-1]))]]
        columns = [column for column in found if column is not None]
        stretches[0].add_spreads(SpreadRows(columns, 0, 1))
        for number, stretch in enumerate(stretches[1:], 1):
            stretch.waiting = SpreadRows(columns, number, number + 1)

    def _with_held(self, sides: list[SideColumn], until: int) -> list[SideColumn]:
        """Side readings, those held back before them; what is later than `until` is held if it may be reached yet."""
        names = {side.name for side in sides}
        waiting = [SideColumn(name, _EMPTY, _EMPTY) for name in self.held if name not in names]
        ready = []
        for side in [*sides, *waiting]:
            pieces = [*self._held_before(side.name), side]
            self._hold_late(side.name, pieces, until)
            ready.extend(pieces)
        return ready

    def _hold_late(self, name: str, pieces: list[SideColumn], until: int) -> None:
        late_at: list[int] = []
        late_values: list[int] = []
        for piece in pieces:
            cut, reach = np.searchsorted(piece.at_ms, [until, self._reach(until)], side="right").tolist()
            late_at += piece.at_ms[cut:reach].tolist()
            late_values += piece.values[cut:reach].tolist()
        if late_at:
            self.held[name] = [late_at, late_values]

    def _held_before(self, name: str) -> list[SideColumn]:
        held = self.held.pop(name, None)
        return [] if held is None else [SideColumn(name, *(np.array(part, dtype=np.int64) for part in held))]

    def _joined(self, side: SideColumn) -> tuple[Integers, Integers]:
        held = self.held.pop(side.name, None)
        if held is None:
            return side.at_ms, side.values
        return (
            np.concatenate([np.array(held[0], dtype=np.int64), side.at_ms]),
            np.concatenate([np.array(held[1], dtype=np.int64), side.values]),
        )

    def _hold(self, sides: list[SideColumn], after: int | None) -> None:
        """Keep side readings until the next lead reading; those a gap after the last one will never count."""
        for side in sides:
            at, values = self._joined(side)
            if after is None:
                continue  # what comes before the first current belongs to no run
            keep = int(np.searchsorted(at, self._reach(after), side="right"))
            if keep:
                self.held[side.name] = [at[:keep].tolist(), values[:keep].tolist()]

    def _reach(self, after: int) -> int:
        """The latest instant that may still be bridged to a lead reading at `after`."""
        return after + max(self.gap_ms, FILL_LIMIT_MS)

    def _finish_tails(self, stretches: list[Stretch], work: Extended, cuts: Integers) -> None:
        """Mean current and voltage over the last minutes of each run, the open one included."""
        firsts = cuts.copy()
        lasts = np.append(cuts[1:], len(work.at))
        if len(cuts) > 1 or not work.continues:
            begins = np.searchsorted(work.at, work.at[lasts - 1] - TAIL_MS, side="right")
            begins = np.maximum(begins, firsts)
            known = work.volts != MISSING
            # reduceat over begin, end, begin, end ...: every second result is the last part of a run.
            marks = np.column_stack([begins, lasts]).reshape(-1)[:-1]
            columns = (work.current, work.volts * known, known.astype(np.int64))
            totals = [np.add.reduceat(column, marks)[::2].tolist() for column in columns]
            for stretch, *sums in zip(stretches, (lasts - begins).tolist(), *totals, strict=True):
                stretch.tail_count, stretch.tail_milliamps, stretch.tail_millivolts, stretch.tail_powered = sums
        if work.continues:
            stop = int(lasts[0])
            self._extend_tail(work, 1, stop)
            self._tail_into(stretches[0])
        if len(stretches) > 1 or not work.continues:
            self.tail = [[], [], []]
            self._extend_tail(work, int(firsts[-1]), len(work.at))

    def _extend_tail(self, work: Extended, start: int, stop: int) -> None:
        if stop <= start:
            return
        oldest = int(work.at[stop - 1]) - TAIL_MS
        begin = max(start, int(np.searchsorted(work.at[:stop], oldest, side="right")))
        drop = 0
        for at in self.tail[0]:
            if at > oldest:
                break
            drop += 1
        for kept, column in zip(self.tail, (work.at, work.current, work.volts), strict=True):
            kept[:] = kept[drop:] + column[begin:stop].tolist()

    def _tail_into(self, stretch: Stretch) -> None:
        stretch.tail_count = len(self.tail[0])
        stretch.tail_milliamps = sum(self.tail[1])
        known = [millivolts for millivolts in self.tail[2] if millivolts != MISSING]
        stretch.tail_millivolts, stretch.tail_powered = sum(known), len(known)

    def cut_open(self) -> Stretch:
        """Hand over the open run as it stands and go on with an empty one of the same label.

        Sums are additive, so where the run is cut makes no difference to what the parts add up to.
        """
        run = self.open
        assert run is not None
        self.open = Stretch(run.label, run.end_session, run.end_ms, run.end_session, run.end_ms, resumed=True)
        return run

    def break_off(self) -> list[Stretch]:
        """Close the open run where it stands: the time axis jumps, or the readings are at an end."""
        closed = [self.open] if self.open is not None else []
        self.open = None
        self.previous = None
        self.tail = [[], [], []]
        self.held = {}
        return closed

    def to_plain(self) -> dict[str, object]:
        return {
            "previous": vars(self.previous) if self.previous else None,
            "open": stretch_to_plain(self.open) if self.open else None,
            "tail": self.tail,
            "held": self.held,
        }

    def load_plain(self, plain: dict[str, object]) -> None:
        previous, running = plain["previous"], plain["open"]
        self.previous = Previous(**previous) if isinstance(previous, dict) else None
        self.open = stretch_from_plain(running) if isinstance(running, dict) else None
        self.tail = plain["tail"]  # type: ignore[assignment]
        self.held = plain["held"]  # type: ignore[assignment]


_EMPTY = np.empty(0, dtype=np.int64)


class _RunFinder:
    """Which readings of a column of times belong to which run. Columns of one device share their times."""

    def __init__(self, edges: Integers) -> None:
        """`edges` (r, 2): (after, until] of each run."""
        self._edges = edges
        self._known: dict[int, tuple[Integers, Integers]] = {}

    def bounds(self, at_ms: Integers) -> Integers:
        """First index of each run, and the index behind its last, (r, 2)."""
        known = self._known.get(id(at_ms))
        if known is None:
            # The times are kept with the answer, so that no other column can take their identity.
            known = self._known[id(at_ms)] = (at_ms, np.searchsorted(at_ms, self._edges, side="right"))
        return known[1]


def _spread_column(finder: _RunFinder, side: SideColumn) -> SpreadColumn | None:
    """Minimum, maximum, sum and count of a channel's readings in each run; None if it has none in any."""
    values = side.values
    if not len(values):
        return None
    bounds = finder.bounds(side.at_ms)
    if values.min() == MISSING:
        missing = np.flatnonzero(values == MISSING)
        values = np.delete(values, missing)
        bounds = bounds - np.searchsorted(missing, bounds)
    counts = np.maximum(bounds[:, 1] - bounds[:, 0], 0)
    filled = np.flatnonzero(counts)
    if not len(filled):
        return None
    # reduceat over begin, end, begin, end ...: every second result is a run, the others lie in gaps.
    marks = bounds[filled].reshape(-1)
    marks = marks[:-1] if marks[-1] == len(values) else marks
    lows, highs, totals = np.zeros((3, len(counts)), dtype=np.int64)
    lows[filled] = np.minimum.reduceat(values, marks)[::2]
    highs[filled] = np.maximum.reduceat(values, marks)[::2]
    totals[filled] = np.add.reduceat(values, marks)[::2]
    return SpreadColumn(side.name, lows, highs, totals, counts)
