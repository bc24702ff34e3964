"""Stage 2: readings of the current to runs: maximal stretches of one label, with exact sums.

The builder keeps one reading back: interval (k-1, k] is only known when reading k is there. While the current moves
smoothly, half of an interval belongs to the reading before it and half to the one after (the trapezoid rule). Where it
jumps, the load was switched somewhere in between: there the whole interval goes with the reading after it, so a run
begins at the last reading of the run before. What a switch-on loses or gains by that, the switch-off gives back; and
readings taken at the instant of a switch, which still see the old state, come out exact. A long gap splits a run.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from loggerd.analysis.labels import label_readings
from loggerd.analysis.plan import Thresholds
from loggerd.analysis.stretch import (
    CHARGE2_PER_MILLIAMP_HOUR,
    VARIATION_SHIFT,
    Spread,
    Stretch,
    stretch_from_plain,
    stretch_to_plain,
)
from loggerd.model.channels import MISSING
from loggerd.model.scan import Integers

TAIL_MS = 300_000
"""The end-of-charge current is the mean over the last five minutes."""
FILL_LIMIT_MS = 600_000
"""Gaps up to ten minutes are filled with the mean of both sides; longer ones are not counted."""
_LARGEST_VARIATION_STEP = 2**23


@dataclass(frozen=True)
class LeadColumns:
    """Readings of the device that measures the current, in order, without missing currents.

    All (n,) int64: at_ms strictly rising; milliamps charge positive; millivolts MISSING where unknown;
    counter the charge of the interval before the reading in milliamp-hours where the instrument counted it, else
    MISSING (None if it never does). `averaged`: each current is the mean over the interval before it.
    """

    session: int
    at_ms: Integers
    milliamps: Integers
    millivolts: Integers
    counter: Integers | None
    averaged: bool


@dataclass(frozen=True)
class SideColumn:
    """Readings of another channel: at_ms (n,) rising, values (n,), MISSING allowed."""

    name: str
    at_ms: Integers
    values: Integers


@dataclass
class _Previous:
    """The reading kept back."""

    at_ms: int
    milliamps: int
    millivolts: int
    label: int


@dataclass
class RunBuilder:
    """Folds lead readings into closed runs. `open` is the run under way; `previous` its last reading."""

    thresholds: Thresholds
    gap_ms: int
    step_milliamps: int
    previous: _Previous | None = None
    open: Stretch | None = None
    tail: list[list[int]] = field(default_factory=lambda: [[], [], []])
    held: dict[str, list[list[int]]] = field(default_factory=dict)

    def push(self, lead: LeadColumns, sides: list[SideColumn]) -> list[Stretch]:
        """Runs that these readings closed. Side readings later than the last lead reading are held back."""
        if len(lead.at_ms) == 0:
            self._hold(sides, self.previous.at_ms if self.previous else None)
            return []
        work = _Extended.of(lead, self.previous, self.thresholds)
        cuts = work.cuts(self.gap_ms)
        sums = _interval_sums(work, self.gap_ms, self.step_milliamps)
        stretches = self._assemble(work, cuts, sums)
        self._add_sides(stretches, work, cuts, lead, sides)
        self._finish_tails(stretches, work, cuts)
        self.previous = _Previous(int(work.at[-1]), int(work.current[-1]), int(work.volts[-1]), int(work.labels[-1]))
        self.open = stretches.pop()
        return stretches

    def _assemble(self, work: _Extended, cuts: Integers, sums: dict[str, Integers]) -> list[Stretch]:
        """One stretch for each run in the extended arrays; the first continues the open run if there is one."""
        starts = cuts
        columns = {name: np.add.reduceat(values, starts).tolist() for name, values in sums.items()}
        firsts = starts.tolist()
        lasts = [*(starts[1:] - 1).tolist(), len(work.at) - 1]
        stretches = []
        for number, (first, last) in enumerate(zip(firsts, lasts, strict=True)):
            stretch = Stretch(
                label=int(work.labels[first]),
                session=work.session,
                start_ms=work.start_of(first, self.gap_ms),
                end_session=work.session,
                end_ms=work.end_of(last, self.gap_ms),
                readings=last - first + 1,
                first_jump=work.jump_before(first, self.gap_ms),
                **{name: values[number] for name, values in columns.items()},
            )
            stretch.share_by_label()
            if number == 0 and work.continues:
                stretch = self._continued(stretch)
            stretches.append(stretch)
        return stretches

    def _continued(self, more: Stretch) -> Stretch:
        """The open run with what this push added to it. Its last reading stands again at the head of the arrays."""
        assert self.open is not None
        run = self.open
        run.end_session, run.end_ms = more.end_session, more.end_ms
        more.readings -= 1
        run.add_sums(more)
        return run

    def _add_sides(
        self,
        stretches: list[Stretch],
        work: _Extended,
        cuts: Integers,
        lead: LeadColumns,
        sides: list[SideColumn],
    ) -> None:
        begin = 1 if work.continues else 0
        own = [
            SideColumn("amps", work.at[begin:], work.current[begin:]),
            SideColumn("volts", work.at[begin:], work.volts[begin:]),
        ]
        edges = work.edges(cuts, self.gap_ms)
        until = int(lead.at_ms[-1])
        for side in [*own, *self._with_held(sides, until)]:
            _add_spreads(stretches, edges, side)

    def _with_held(self, sides: list[SideColumn], until: int) -> list[SideColumn]:
        """Side readings up to `until`, with those held back before; later ones are held for the next push."""
        ready = []
        for side in sides:
            at, values = self._joined(side)
            cut = int(np.searchsorted(at, until, side="right"))
            if cut < len(at):
                self.held[side.name] = [at[cut:].tolist(), values[cut:].tolist()]
            ready.append(SideColumn(side.name, at[:cut], values[:cut]))
        for name in [name for name in self.held if name not in {side.name for side in sides}]:
            ready.extend(self._with_held([SideColumn(name, _EMPTY, _EMPTY)], until))
        return ready

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
            reach = after + max(self.gap_ms, FILL_LIMIT_MS)
            keep = int(np.searchsorted(at, reach, side="right"))
            if keep:
                self.held[side.name] = [at[:keep].tolist(), values[:keep].tolist()]

    def _finish_tails(self, stretches: list[Stretch], work: _Extended, cuts: Integers) -> None:
        """Mean current and voltage over the last minutes of each run, the open one included."""
        firsts = cuts.copy()
        lasts = np.append(cuts[1:], len(work.at))
        if len(cuts) > 1 or not work.continues:
            begins = np.searchsorted(work.at, work.at[lasts - 1] - TAIL_MS, side="right")
            begins = np.maximum(begins, firsts)
            current = np.concatenate([[0], np.cumsum(work.current)])
            volts = np.concatenate([[0], np.cumsum(np.where(work.volts == MISSING, 0, work.volts))])
            counts = (lasts - begins).tolist()
            totals = (current[lasts] - current[begins]).tolist()
            volt_totals = (volts[lasts] - volts[begins]).tolist()
            for stretch, count, total, volt_total in zip(stretches, counts, totals, volt_totals, strict=True):
                stretch.tail_count, stretch.tail_milliamps, stretch.tail_millivolts = count, total, volt_total
        if work.continues:
            stop = int(lasts[0])
            self._extend_tail(work, 1, stop)
            self._tail_into(stretches[0])
        if len(stretches) > 1 or not work.continues:
            self.tail = [[], [], []]
            self._extend_tail(work, int(firsts[-1]), len(work.at))

    def _extend_tail(self, work: _Extended, start: int, stop: int) -> None:
        if stop <= start:
            return
        oldest = int(work.at[stop - 1]) - TAIL_MS
        begin = max(start, int(np.searchsorted(work.at[:stop], oldest, side="right")))
        drop = 0
        for at in self.tail[0]:
            if at > oldest:
                break
            drop += 1
        columns = (work.at, work.current, np.where(work.volts[:stop] == MISSING, 0, work.volts[:stop]))
        for kept, column in zip(self.tail, columns, strict=True):
            kept[:] = kept[drop:] + column[begin:stop].tolist()

    def _tail_into(self, stretch: Stretch) -> None:
        stretch.tail_count = len(self.tail[0])
        stretch.tail_milliamps = sum(self.tail[1])
        stretch.tail_millivolts = sum(self.tail[2])

    def cut_open(self) -> Stretch:
        """Hand over the open run as it stands and go on with an empty one of the same label.

        Sums are additive, so where the run is cut makes no difference to what the parts add up to.
        """
        run = self.open
        assert run is not None
        self.open = Stretch(run.label, run.end_session, run.end_ms, run.end_session, run.end_ms)
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
        self.previous = _Previous(**previous) if isinstance(previous, dict) else None
        self.open = stretch_from_plain(running) if isinstance(running, dict) else None
        self.tail = plain["tail"]  # type: ignore[assignment]
        self.held = plain["held"]  # type: ignore[assignment]


_EMPTY = np.empty(0, dtype=np.int64)


@dataclass(frozen=True)
class _Extended:
    """Lead arrays with the reading kept back in front (if `continues`)."""

    session: int
    continues: bool
    averaged: bool
    at: Integers
    current: Integers
    volts: Integers
    counter: Integers | None
    labels: npt.NDArray[np.int8]
    interval: Integers

    @staticmethod
    def of(lead: LeadColumns, previous: _Previous | None, limits: Thresholds) -> _Extended:
        before = previous.label if previous else 0
        labels = label_readings(lead.milliamps, limits.high, limits.low, before)
        at, current, volts, counter = lead.at_ms, lead.milliamps, lead.millivolts, lead.counter
        if previous is not None:
            at = np.concatenate([[previous.at_ms], at])
            current = np.concatenate([[previous.milliamps], current])
            volts = np.concatenate([[previous.millivolts], volts])
            labels = np.concatenate([np.array([previous.label], dtype=np.int8), labels])
            if counter is not None:
                counter = np.concatenate([[MISSING], counter])
        return _Extended(
            lead.session, previous is not None, lead.averaged, at, current, volts, counter, labels, np.diff(at)
        )

    def cuts(self, gap_ms: int) -> Integers:
        """Index of the first reading of each run: where the label changes or a long gap ends."""
        change = self.labels[1:] != self.labels[:-1]
        if self.interval.size and self.interval.max() > gap_ms:
            change = change | (self.interval > max(gap_ms, FILL_LIMIT_MS))
        return np.concatenate([[0], np.flatnonzero(change) + 1])

    def _whole(self, interval: int, gap_ms: int) -> bool:
        """Whether that interval is bridged (its middle can be a boundary)."""
        return interval <= max(gap_ms, FILL_LIMIT_MS)

    def start_of(self, first: int, gap_ms: int) -> int:
        if first == 0 or not self._whole(int(self.interval[first - 1]), gap_ms):
            return int(self.at[first])
        if self.averaged or int(self.interval[first - 1]) <= gap_ms:
            return int(self.at[first - 1])
        return (int(self.at[first - 1]) + int(self.at[first])) // 2

    def end_of(self, last: int, gap_ms: int) -> int:
        if last == len(self.at) - 1 or not self._whole(int(self.interval[last]), gap_ms):
            return int(self.at[last])
        return self.start_of(last + 1, gap_ms)

    def jump_before(self, first: int, gap_ms: int) -> int:
        """What the jump that begins a run may have moved between it and the run before, at most [mA ms]."""
        if first == 0 or self.averaged or int(self.interval[first - 1]) > gap_ms:
            return 0
        if self.counter is not None and int(self.counter[first]) != MISSING:
            return 0
        return abs(int(self.current[first]) - int(self.current[first - 1])) * int(self.interval[first - 1])

    def edges(self, cuts: Integers, gap_ms: int) -> list[tuple[int, int]]:
        """(after, until] of each run in milliseconds, for readings of other devices."""
        firsts = cuts.tolist()
        lasts = [*(cuts[1:] - 1).tolist(), len(self.at) - 1]
        edges = []
        for first, last in zip(firsts, lasts, strict=True):
            begin = self.start_of(first, gap_ms)
            if first == 0 or begin == int(self.at[first]):
                begin = begin if (first == 0 and self.continues) else begin - 1
            edges.append((begin, self.end_of(last, gap_ms)))
        return edges


def _interval_sums(work: _Extended, gap_ms: int, step_milliamps: int) -> dict[str, Integers]:
    """Per reading, what its halves of the intervals around it add to the sums of its run."""
    interval = work.interval
    bridged = interval
    sums: dict[str, Integers] = {}
    if interval.size and int(interval.max()) > gap_ms:
        limit = max(gap_ms, FILL_LIMIT_MS)
        short = (interval > gap_ms) & (interval <= limit)
        bridged = np.where(interval <= limit, interval, 0)
        # A gap is told to the run that the reading after it belongs to.
        sums["filled_ms"] = np.concatenate([[0], np.where(short, interval, 0)])
    jump = np.abs(np.diff(work.current))
    whole = (jump > step_milliamps) | (work.labels[1:] != work.labels[:-1])
    time2 = _weights(work, bridged, whole & (interval <= gap_ms))
    sums["time2"] = time2
    charge2, counted2 = _charge(work, bridged, time2)
    sums["charge2"] = charge2
    if counted2 is not None:
        sums["counted2"] = counted2
    _add_energy(sums, work, charge2, time2, counted2 is not None)
    if not work.averaged:
        sampled, between = jump, bridged
        if work.counter is not None:
            # What the instrument counted itself has no sampling error.
            between = np.where(work.counter[1:] == MISSING, bridged, 0)
            sampled = np.where(between > 0, jump, 0)
        _add_variation(sums, work, sampled, between, step_milliamps)
    return sums


def _weights(work: _Extended, bridged: Integers, whole: npt.NDArray[np.bool_]) -> Integers:
    """Twice the milliseconds that each reading stands for. `whole`: intervals that go with the reading after them."""
    time2 = np.zeros(len(work.at), dtype=np.int64)
    if work.averaged:
        time2[1:] = 2 * bridged
        return time2
    half = np.where(whole, 0, bridged) if whole.any() else bridged
    time2[1:] = 2 * bridged - half
    time2[:-1] += half
    return time2


def _charge(work: _Extended, bridged: Integers, time2: Integers) -> tuple[Integers, Integers | None]:
    """Twice the charge per reading; where the instrument counted the interval, its count replaces the product."""
    if work.counter is None:
        return work.current * time2, None
    known = work.counter[1:] != MISSING
    product = np.where(known, 0, bridged)
    before = work.current[:-1] * product
    after = work.current[1:] * product
    counted = np.where(known, work.counter[1:], 0) * CHARGE2_PER_MILLIAMP_HOUR
    # Where the label changes, the count goes to the side whose direction it has.
    direction = np.sign(counted)
    to_before = known & (work.labels[1:] != work.labels[:-1]) & (direction == work.labels[:-1])
    before += np.where(to_before, counted, 0)
    after += np.where(to_before, 0, counted)
    charge2 = np.zeros(len(work.at), dtype=np.int64)
    charge2[1:] = after
    charge2[:-1] += before
    counted2 = np.zeros(len(work.at), dtype=np.int64)
    counted2[1:] = np.where(known, 2 * work.interval, 0)
    return charge2, counted2


def _add_energy(sums: dict[str, Integers], work: _Extended, charge2: Integers, time2: Integers, counted: bool) -> None:
    volts = work.volts
    missing = volts == MISSING if volts.min() == MISSING else None
    if missing is not None:
        volts = np.where(missing, 0, volts)
        sums["unpowered2"] = np.where(missing, time2, 0)
    if counted:
        sums["energy2"] = (charge2 // 1000) * volts
    else:
        sums["energy2"] = (work.current * volts + 500) // 1000 * time2


def _add_variation(
    sums: dict[str, Integers], work: _Extended, jump: Integers, bridged: Integers, step_milliamps: int
) -> None:
    """Squared charge steps between readings, and the jumps: what the error of sampling is judged from."""
    step = np.minimum((jump * bridged) >> VARIATION_SHIFT, _LARGEST_VARIATION_STEP)
    variation = np.zeros(len(work.at), dtype=np.int64)
    variation[1:] = step * step
    sums["variation"] = variation
    if jump.size and int(jump.max()) > step_milliamps:
        large = jump > step_milliamps
        sums["steps"] = np.concatenate([[0], large.astype(np.int64)])
        sums["step_total"] = np.concatenate([[0], np.where(large, jump, 0)])


def _add_spreads(stretches: list[Stretch], edges: list[tuple[int, int]], side: SideColumn) -> None:
    """Add minimum, maximum, sum and count of a channel's readings to the run each falls into."""
    if not len(side.at_ms):
        return
    values, at = side.values, side.at_ms
    if values.min() == MISSING:
        good = values != MISSING
        values, at = values[good], at[good]
        if not len(at):
            return
    bounds = np.searchsorted(at, np.array(edges, dtype=np.int64), side="right")
    filled = np.flatnonzero(bounds[:, 1] > bounds[:, 0])
    if not len(filled):
        return
    # reduceat over begin, end, begin, end ...: every second result is a run, the others lie in gaps.
    marks = bounds[filled].reshape(-1)
    marks = marks[:-1] if marks[-1] == len(values) else marks
    lows = np.minimum.reduceat(values, marks)[::2].tolist()
    highs = np.maximum.reduceat(values, marks)[::2].tolist()
    totals = np.add.reduceat(values, marks)[::2].tolist()
    counts = (bounds[filled, 1] - bounds[filled, 0]).tolist()
    for index, low, high, total, count in zip(filled.tolist(), lows, highs, totals, counts, strict=True):
        spreads = stretches[index].spreads
        found = spreads.get(side.name)
        if found is None:
            spreads[side.name] = Spread(low, high, total, count)
        else:
            found.add(Spread(low, high, total, count))
