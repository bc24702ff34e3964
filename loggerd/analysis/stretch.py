"""Exact sums over a stretch of time: what runs, phases and cycles are made of.

All sums are whole numbers, so that adding stretches in any grouping gives the same result to the last bit.
Twice the time integral is kept, which avoids halves: each reading stands for half of the interval before and half of
the interval after it, and the sum over a stretch equals the trapezoid rule. 7.2e9 units of `charge2` are 1 Ah.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from loggerd.model.scan import Integers

CHARGE2_PER_AMP_HOUR = 7_200_000_000
"""2 x 1000 mA x 3,600,000 ms."""
CHARGE2_PER_MILLIAMP_HOUR = CHARGE2_PER_AMP_HOUR // 1000
VARIATION_SHIFT = 14
"""Charge steps are squared in units of 2**14 mA ms (4.6 micro-amp-hours), to stay inside 64 bits."""
LEFT_OUT = "left_out"
"""Name under which readings outside their valid range are counted."""


@dataclass(slots=True)
class Spread:
    """Minimum, maximum, sum and number of the readings of one channel, in fine units."""

    low: int
    high: int
    total: int
    count: int

    def add(self, other: Spread) -> None:
        # Comparisons written out: this runs for every channel of every run.
        if other.low < self.low:  # noqa: PLR1730
            self.low = other.low
        if other.high > self.high:  # noqa: PLR1730
            self.high = other.high
        self.total += other.total
        self.count += other.count


@dataclass(frozen=True)
class SpreadColumn:
    """Spreads of one channel in runs that follow each other: (r,) each; where `counts` is 0 the others mean nothing."""

    name: str
    lows: Integers
    highs: Integers
    totals: Integers
    counts: Integers

    def gather(self, first: int, stop: int, into: dict[str, Spread]) -> None:
        """Add the spread of runs first..stop-1 together."""
        counts = self.counts[first:stop]
        lows, highs, totals = self.lows[first:stop], self.highs[first:stop], self.totals[first:stop]
        if not counts.all():
            filled = counts > 0
            counts, lows, highs, totals = counts[filled], lows[filled], highs[filled], totals[filled]
            if not len(counts):
                return
        spread = Spread(int(lows.min()), int(highs.max()), int(totals.sum()), int(counts.sum()))
        found = into.get(self.name)
        if found is None:
            into[self.name] = spread
        else:
            found.add(spread)


@dataclass
class SpreadRows:
    """A range of runs whose spreads have not been added up yet: it grows at no cost while runs join one another."""

    columns: list[SpreadColumn]
    first: int
    stop: int


@dataclass
class Stretch:
    """Sums from `start_ms` to `end_ms` on the analysis axis.

    label: +1 charge, 0 rest, -1 discharge, as decided for the stretch as a whole.
    time2: twice the integrated milliseconds; charge2: twice the integral of current [mA ms], charge positive;
    energy2: twice the integral of power [mW ms]; unpowered2: twice the milliseconds without a voltage.
    out2, in2 and the like: the share of runs of discharge and of charge in charge2, energy2 and time2, whatever the
    stretch as a whole is called. counted2: twice the milliseconds whose charge the instrument counted itself.
    variation: sum of squared charge steps, see VARIATION_SHIFT, for the sampling error; steps: readings at which
    the current jumped; step_total: sum of those jumps [mA]. first_jump, last_jump: the jumps of current at its ends
    times the interval they lie in [mA ms]: the switch was somewhere in there.
    filled_ms: time of short gaps, whose charge is the mean of both sides and is counted; lost_ms: time of longer
    gaps, whose charge is not counted. resumed: the rest of a run that was handed over before it ended; short_runs: of
    the runs shorter than the dwell that were folded in, by label: number, readings, readings squared, which tell
    whether a load switches as regularly as the readings are taken. tail_*: current and voltage over the last minutes
    of the last run that has the stretch's own label; tail_powered: its readings that had a voltage. `added` and
    `waiting` together are `spreads`.
    """

    label: int
    session: int
    start_ms: int
    end_session: int
    end_ms: int
    readings: int = 0
    time2: int = 0
    charge2: int = 0
    energy2: int = 0
    out2: int = 0
    in2: int = 0
    out_energy2: int = 0
    in_energy2: int = 0
    out_time2: int = 0
    in_time2: int = 0
    unpowered2: int = 0
    variation: int = 0
    steps: int = 0
    step_total: int = 0
    first_jump: int = 0
    last_jump: int = 0
    filled_ms: int = 0
    lost_ms: int = 0
    counted2: int = 0
    tail_count: int = 0
    tail_milliamps: int = 0
    tail_millivolts: int = 0
    tail_powered: int = 0
    resumed: bool = False
    short_runs: dict[str, list[int]] = field(default_factory=dict)
    added: dict[str, Spread] = field(default_factory=dict)
    waiting: SpreadRows | None = None

    @property
    def spreads(self) -> dict[str, Spread]:
        """Spreads of all channels over the stretch, by name."""
        self._add_waiting()
        return self.added

    def _add_waiting(self) -> None:
        rows, self.waiting = self.waiting, None
        if rows is not None:
            for column in rows.columns:
                column.gather(rows.first, rows.stop, self.added)

    def share_by_label(self) -> None:
        """Of a run: all of it is discharge, charge, or neither."""
        if self.label < 0:
            self.out2, self.out_energy2, self.out_time2 = self.charge2, self.energy2, self.time2
        elif self.label > 0:
            self.in2, self.in_energy2, self.in_time2 = self.charge2, self.energy2, self.time2

    @property
    def duration_ms(self) -> int:
        return self.end_ms - self.start_ms

    def absorb(self, later: Stretch) -> None:
        """Add a stretch that follows; keeps this one's label and start."""
        self.end_session = later.end_session
        self.end_ms = later.end_ms
        self.add_sums(later)
        if later.label == self.label and later.tail_count:
            self.tail_count = later.tail_count
            self.tail_milliamps = later.tail_milliamps
            self.tail_millivolts = later.tail_millivolts
            self.tail_powered = later.tail_powered

    def add_sums(self, other: Stretch) -> None:
        """Add the sums alone, whatever the order in time."""
        self.readings += other.readings
        self.time2 += other.time2
        self.charge2 += other.charge2
        self.energy2 += other.energy2
        self.out2 += other.out2
        self.in2 += other.in2
        self.out_energy2 += other.out_energy2
        self.in_energy2 += other.in_energy2
        self.out_time2 += other.out_time2
        self.in_time2 += other.in_time2
        self.unpowered2 += other.unpowered2
        self.variation += other.variation
        self.steps += other.steps
        self.step_total += other.step_total
        self.filled_ms += other.filled_ms
        self.lost_ms += other.lost_ms
        self.counted2 += other.counted2
        for label, numbers in other.short_runs.items():
            before = self.short_runs.get(label)
            if before is None:
                self.short_runs[label] = numbers.copy()
            else:
                runs, readings, squared = numbers
                before[0] += runs
                before[1] += readings
                before[2] += squared
        for name, spread in other.added.items():
            mine = self.added.get(name)
            if mine is None:
                self.added[name] = Spread(spread.low, spread.high, spread.total, spread.count)
            else:
                mine.add(spread)
        if other.waiting is not None:
            self.add_spreads(other.waiting)

    def add_spreads(self, more: SpreadRows) -> None:
        """Add the spreads of runs of a table. Those of runs side by side are added up together, when asked for."""
        mine = self.waiting
        if mine is not None and mine.columns is more.columns and mine.stop == more.first:
            mine.stop = more.stop
            return
        self._add_waiting()
        self.waiting = SpreadRows(more.columns, more.first, more.stop)


def stretch_to_plain(stretch: Stretch) -> dict[str, object]:
    """A stretch as JSON-able values."""
    spreads = stretch.spreads
    plain = {name: value for name, value in vars(stretch).items() if name not in ("added", "waiting")}
    plain["spreads"] = {name: [spread.low, spread.high, spread.total, spread.count] for name, spread in spreads.items()}
    return plain


def stretch_from_plain(plain: dict[str, object]) -> Stretch:
    """The inverse of stretch_to_plain."""
    values = dict(plain)
    spreads = values.pop("spreads")
    assert isinstance(spreads, dict)
    return Stretch(**values, added={name: Spread(*numbers) for name, numbers in spreads.items()})  # type: ignore[arg-type]
