"""Exact sums over a stretch of time: what runs, phases and cycles are made of.

All sums are whole numbers, so that adding stretches in any grouping gives the same result to the last bit.
Twice the time integral is kept, which avoids halves: each reading stands for half of the interval before and half of
the interval after it, and the sum over a stretch equals the trapezoid rule. 7.2e9 units of `charge2` are 1 Ah.
"""

from __future__ import annotations

from dataclasses import dataclass, field

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
    of the last run that has the stretch's own label.
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
    resumed: bool = False
    short_runs: dict[str, list[int]] = field(default_factory=dict)
    spreads: dict[str, Spread] = field(default_factory=dict)

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
            before = self.short_runs.get(label, [0, 0, 0])
            self.short_runs[label] = [one + more for one, more in zip(before, numbers, strict=True)]
        for name, spread in other.spreads.items():
            mine = self.spreads.get(name)
            if mine is None:
                self.spreads[name] = Spread(spread.low, spread.high, spread.total, spread.count)
            else:
                mine.add(spread)


def stretch_to_plain(stretch: Stretch) -> dict[str, object]:
    """A stretch as JSON-able values."""
    plain = dict(vars(stretch))
    plain["spreads"] = {
        name: [spread.low, spread.high, spread.total, spread.count] for name, spread in stretch.spreads.items()
    }
    return plain


def stretch_from_plain(plain: dict[str, object]) -> Stretch:
    """The inverse of stretch_to_plain."""
    values = dict(plain)
    spreads = values.pop("spreads")
    assert isinstance(spreads, dict)
    return Stretch(**values, spreads={name: Spread(*numbers) for name, numbers in spreads.items()})  # type: ignore[arg-type]
