"""Readings of the current side by side with the intervals between them: where runs begin, and what each reading adds.

All sums are gathered interval by interval, with every rounding made inside one interval's half: how the readings are
grouped makes no difference. The share of the reading kept back is added when the reading after it is there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from loggerd.analysis.labels import label_readings
from loggerd.analysis.plan import Thresholds
from loggerd.analysis.stretch import CHARGE2_PER_MILLIAMP_HOUR, VARIATION_SHIFT
from loggerd.model.channels import MISSING
from loggerd.model.scan import Integers

FILL_LIMIT_MS = 600_000
"""Gaps up to ten minutes are filled with the mean of both sides; longer ones are not counted."""
_LARGEST_VARIATION_STEP = 2**23


@dataclass(frozen=True)
class LeadColumns:
    """Readings of the device that measures the current, in order, without missing currents.

    All (n,) int64: at_ms strictly rising; milliamps charge positive; millivolts MISSING where unknown;
    counter the charge of the interval before the reading in milliamp-hours where the instrument counted it, else
    MISSING (None if it never does). `averaged`: each current is the mean over the interval before it.
    `left_out` (m,): places of the readings of the device whose current is missing, None where there are none.
    """

    session: int
    at_ms: Integers
    milliamps: Integers
    millivolts: Integers
    counter: Integers | None
    averaged: bool
    left_out: Integers | None = None


@dataclass
class Previous:
    """The reading kept back."""

    at_ms: int
    milliamps: int
    millivolts: int
    label: int


@dataclass(frozen=True)
class RunBounds:
    """Of each run (r,): start and end, the instant after which readings of other devices belong to it, and what the
    jump that begins it may have moved between it and the run before, at most [mA ms].
    """

    starts_ms: Integers
    ends_ms: Integers
    after_ms: Integers
    jumps: Integers


@dataclass(frozen=True)
class Extended:
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
    def of(lead: LeadColumns, previous: Previous | None, limits: Thresholds) -> Extended:
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
        return Extended(
            lead.session, previous is not None, lead.averaged, at, current, volts, counter, labels, np.diff(at)
        )

    def cuts(self, gap_ms: int) -> Integers:
        """Index of the first reading of each run: where the label changes or a long gap ends."""
        change = self.labels[1:] != self.labels[:-1]
        if self.interval.size and self.interval.max() > gap_ms:
            change = change | (self.interval > max(gap_ms, FILL_LIMIT_MS))
        return np.concatenate([[0], np.flatnonzero(change) + 1])

    def bounds(self, cuts: Integers, gap_ms: int) -> RunBounds:
        """Where the runs that begin at `cuts` begin and end, and the jumps that begin them."""
        here, before = cuts[1:], cuts[1:] - 1
        at_here, at_before, interval = self.at[here], self.at[before], self.interval[before]
        parted = interval > max(gap_ms, FILL_LIMIT_MS)
        begins = at_before.copy()
        if not self.averaged:
            gap = interval > gap_ms
            begins[gap] = (at_before[gap] + at_here[gap]) // 2
        ends = np.where(parted, at_before, begins)
        begins[parted] = at_here[parted]
        # A reading at the very beginning of a run belongs to it.
        after = begins - (begins == at_here)
        first, last = self.at[:1], self.at[-1:]
        return RunBounds(
            np.concatenate([first, begins]),
            np.concatenate([ends, last]),
            np.concatenate([first if self.continues else first - 1, after]),
            np.concatenate([[0], self._jumps(here, interval, gap_ms)]),
        )

    def _jumps(self, here: Integers, interval: Integers, gap_ms: int) -> Integers:
        if self.averaged:
            return np.zeros_like(here)
        jumps: Integers = np.abs(self.current[here] - self.current[here - 1]) * interval
        jumps[interval > gap_ms] = 0
        if self.counter is not None:
            jumps[self.counter[here] != MISSING] = 0
        return jumps


def interval_sums(work: Extended, gap_ms: int, step_milliamps: int) -> dict[str, Integers]:
    """Per reading, what its halves of the intervals around it add to the sums of its run."""
    interval = work.interval
    bridged = interval
    sums: dict[str, Integers] = {}
    if interval.size and int(interval.max()) > gap_ms:
        limit = max(gap_ms, FILL_LIMIT_MS)
        short = (interval > gap_ms) & (interval <= limit)
        bridged = np.where(interval <= limit, interval, 0)
        # A gap is told to the run that the reading after it belongs to.
        sums["filled_ms"] = _of_readings_after(interval * short)
    jump = np.abs(np.diff(work.current))
    whole = (jump > step_milliamps) | (work.labels[1:] != work.labels[:-1])
    before2, after2 = _weights(work, bridged, whole & (interval <= gap_ms))
    time2 = sums["time2"] = _gathered(before2, after2)
    volts, missing = work.volts, work.volts == MISSING
    if missing.any():
        volts = np.where(missing, 0, volts)
        sums["unpowered2"] = np.where(missing, time2, 0)
    if work.counter is None:
        sums["charge2"] = work.current * time2
        sums["energy2"] = (work.current * volts + 500) // 1000 * time2
    else:
        _add_counted(sums, work, volts, before2, after2)
    if not work.averaged:
        sampled, between = jump, bridged
        if work.counter is not None:
            # What the instrument counted itself has no sampling error.
            between = np.where(work.counter[1:] == MISSING, bridged, 0)
            sampled = np.where(between > 0, jump, 0)
        _add_variation(sums, work, sampled, between, step_milliamps)
    return sums


def _weights(work: Extended, bridged: Integers, whole: npt.NDArray[np.bool_]) -> tuple[Integers, Integers]:
    """Twice the milliseconds of each interval that go with the reading before it, and with the reading after it.

    `whole`: intervals that go with the reading after them altogether, as all do where the current is an average.
    """
    if work.averaged:
        return np.zeros_like(bridged), 2 * bridged
    before2 = bridged * ~whole if whole.any() else bridged
    return before2, 2 * bridged - before2


def _gathered(before: Integers, after: Integers) -> Integers:
    """Per reading (n,), its shares (n-1,) of the interval after it and of the interval before it."""
    total = _of_readings_after(after)
    total[:-1] += before
    return total


def _add_counted(
    sums: dict[str, Integers], work: Extended, volts: Integers, before2: Integers, after2: Integers
) -> None:
    """Charge and energy where the instrument counts: its count of an interval stands for the product."""
    assert work.counter is not None
    counter = work.counter[1:]
    known = counter != MISSING
    counted = np.where(known, counter, 0) * CHARGE2_PER_MILLIAMP_HOUR
    # Where the label changes, the count goes to the side whose direction it has.
    to_before = known & (work.labels[1:] != work.labels[:-1]) & (np.sign(counted) == work.labels[:-1])
    before = np.where(known, np.where(to_before, counted, 0), work.current[:-1] * before2)
    after = np.where(known, np.where(to_before, 0, counted), work.current[1:] * after2)
    sums["charge2"] = _gathered(before, after)
    sums["energy2"] = _gathered(before // 1000 * volts[:-1], after // 1000 * volts[1:])
    sums["counted2"] = _gathered(np.zeros_like(before), np.where(known, 2 * work.interval, 0))


def _add_variation(
    sums: dict[str, Integers], work: Extended, jump: Integers, bridged: Integers, step_milliamps: int
) -> None:
    """Squared charge steps between readings, and the jumps: what the error of sampling is judged from."""
    step = jump * bridged
    step >>= VARIATION_SHIFT
    np.minimum(step, _LARGEST_VARIATION_STEP, out=step)
    step *= step
    sums["variation"] = _of_readings_after(step)
    if jump.size and int(jump.max()) > step_milliamps:
        large = jump > step_milliamps
        sums["steps"] = _of_readings_after(large)
        sums["step_total"] = _of_readings_after(jump * large)


def _of_readings_after(values: Integers | npt.NDArray[np.bool_]) -> Integers:
    """Values (n-1,) of intervals, each given to the reading after it (n,)."""
    given = np.empty(len(values) + 1, dtype=np.int64)
    given[0] = 0
    given[1:] = values
    return given
