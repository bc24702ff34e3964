"""Which series measure the current and the voltage of a bank, and what of them is integrated.

In order of preference: for the sign of the current, an averaged current, then the plain current, then the sum of all
strings (each may have an instrument of its own); for the charge, the instrument's own amp-hour counter where it has
one on the same device. The choice is made for each session anew, from the devices that were read in it.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from math import hypot

import numpy as np
import numpy.typing as npt

from loggerd.analysis.intervals import FILL_LIMIT_MS
from loggerd.decoding.scaling import scale_at
from loggerd.model.bank import Accuracy, Bank, Series, SeriesScale
from loggerd.model.channels import MISSING
from loggerd.model.scan import Integers

NO_CURRENT = (
    "nothing measures the current of this bank (amps, mean_amps, or string_N_amps of all strings), "
    "so there are no phases and no cycles"
)
_MOST_MILLIAMPS = 20_000_000
"""No battery of this trade carries more; keeps products of currents and times inside 64 bits."""


@dataclass(frozen=True)
class LeadChoice:
    """What is read for the current, the charge and the voltage.

    `amps` are series whose sum is the current; the readings of the first one's device give the times. `counters`
    name channels of that device.
    """

    amps: tuple[Series, ...]
    averaged: bool
    counters: tuple[Series, ...]
    volts: Series | None

    @property
    def device(self) -> str:
        return self.amps[0].device

    def changes_ms(self) -> list[int]:
        """Instants at which the scale or accuracy of one of these series changes, in order."""
        chosen = [*self.amps, *self.counters, *([self.volts] if self.volts else [])]
        return sorted({scale.since_ms for one in chosen for scale in one.scales if scale.since_ms is not None})

    def current_scale(self, at_ms: int) -> SeriesScale:
        """Valid range and accuracy of the current at an instant. Of a sum: offsets and ranges add up, noise adds in
        quadrature, the largest gain error counts.
        """
        scales = [scale_at(one.scales, at_ms) for one in self.amps]
        if len(scales) == 1:
            return scales[0]
        accuracies = [scale.accuracy for scale in scales]
        valid = (sum(scale.valid[0] for scale in scales), sum(scale.valid[1] for scale in scales))
        return SeriesScale(
            None,
            1.0,
            0.0,
            valid,
            Accuracy(
                gain=_largest([one.gain for one in accuracies]),
                offset=_sum([one.offset for one in accuracies]),
                noise=hypot(*(one.noise or 0.0 for one in accuracies)),
                resolution=max(one.resolution for one in accuracies),
                range=_sum([one.range for one in accuracies]),
            ),
        )

    def count_step(self, at_ms: int) -> float:
        """One step of the counter that is integrated [Ah]; 0 without one."""
        return max((scale_at(one.scales, at_ms).accuracy.resolution for one in self.counters), default=0.0)

    def volts_accuracy(self, at_ms: int) -> Accuracy:
        return scale_at(self.volts.scales, at_ms).accuracy if self.volts else Accuracy()


def _largest(values: list[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return max(known) if len(known) == len(values) else None


def _sum(values: list[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) if len(known) == len(values) else None


def choose_lead(bank: Bank, series: Mapping[int, Series], devices: Collection[str] = ()) -> LeadChoice | None:
    """The choice for a bank among the series of these devices (of all, if none is named); None if nothing measures
    its current.
    """
    by_device: dict[str, dict[str, Series]] = {}
    for _, one in sorted(series.items()):
        if not devices or one.device in devices:
            by_device.setdefault(one.device, {})[one.channel.name] = one
    for name, averaged in (("mean_amps", True), ("amps", False)):
        for device, channels in sorted(by_device.items()):
            if name in channels:
                return _choice((channels[name],), averaged, by_device, device)
    strings = [_first_with(f"string_{number}_amps", by_device) for number in range(1, bank.strings + 1)]
    amps = tuple(one for one in strings if one is not None)
    return _choice(amps, False, by_device, amps[0].device) if len(amps) == bank.strings else None


def _choice(
    amps: tuple[Series, ...], averaged: bool, by_device: Mapping[str, Mapping[str, Series]], device: str
) -> LeadChoice:
    own = by_device[device]
    return LeadChoice(amps, averaged, _counters(own), own.get("volts") or _first_with("volts", by_device))


def _first_with(name: str, by_device: Mapping[str, Mapping[str, Series]]) -> Series | None:
    return next((channels[name] for _, channels in sorted(by_device.items()) if name in channels), None)


def _counters(channels: Mapping[str, Series]) -> tuple[Series, ...]:
    for names in (("net_amp_hours",), ("charged_amp_hours", "discharged_amp_hours")):
        if all(name in channels for name in names):
            return tuple(channels[name] for name in names)
    return ()


def total(columns: list[Integers]) -> Integers:
    """Sum of columns, MISSING where one of them is."""
    if len(columns) == 1:
        return columns[0]
    summed = columns[0] + columns[1]
    for column in columns[2:]:
        summed += column
    for column in columns:
        if column.size and column.min() == MISSING:
            summed[column == MISSING] = MISSING
    return summed


@dataclass
class CounterReader:
    """Turns readings of an amp-hour counter into the charge of each interval [mAh], noticing resets.

    A reset is a step that the current can't have made: more than `most_milliamps` for the whole interval, far more
    than the currents read before and after it (`rated_milliamps` is the current that would empty the bank in an hour),
    a return to zero that they do not explain, or a one-way counter that goes down. Such an interval falls back to the
    measured current. Over a longer gap nobody can tell whether the counter was set back: it is not used there.
    """

    most_milliamps: int
    rated_milliamps: int
    one_way: bool
    last: list[int] | None = None
    last_at: int = 0
    last_milliamps: int = 0
    skipped: bool = False

    def push(self, at_ms: Integers, counters: list[Integers], milliamps: Integers) -> tuple[Integers, Integers]:
        """Charge of the interval before each reading (n,) [mAh], MISSING where not known; times of resets."""
        steps = np.full(len(at_ms), MISSING, dtype=np.int64)
        known = np.ones(len(at_ms), dtype=bool)
        for column in counters:
            known &= column != MISSING
        at = at_ms[known]
        if not len(at):
            self.skipped = self.skipped or len(at_ms) > 0
            return steps, at
        rows = [column[known] for column in counters]
        firsts = self.last if self.last is not None else [int(row[0]) for row in rows]
        before = self.last_at if self.last is not None else int(at[0])
        moved = [np.diff(row, prepend=first) for row, first in zip(rows, firsts, strict=True)]
        elapsed = np.diff(at, prepend=before)
        charge = moved[0] if len(moved) == 1 else moved[0] - moved[1]
        current = np.abs(milliamps[known])
        largest = np.maximum(current, np.concatenate([[self.last_milliamps], current[:-1]]))
        reset = self._resets(charge, elapsed, largest, rows, moved)
        # A reading that is missing in between would give one interval the charge of two.
        whole = np.diff(np.flatnonzero(known), prepend=-2 if self.skipped else -1) == 1
        usable = whole & ~reset & (elapsed <= FILL_LIMIT_MS)
        steps[known] = np.where(usable, charge, np.int64(MISSING))
        if self.last is None:
            steps[np.flatnonzero(known)[0]] = MISSING
        self.skipped = not bool(known[-1])
        self.last, self.last_at = [int(row[-1]) for row in rows], int(at[-1])
        self.last_milliamps = int(current[-1])
        return steps, at[reset]

    def _resets(
        self, charge: Integers, elapsed: Integers, largest: Integers, rows: list[Integers], moved: list[Integers]
    ) -> npt.NDArray[np.bool_]:
        size = np.abs(charge) * 3_600_000

        def beyond(milliamps: Integers | int) -> npt.NDArray[np.bool_]:
            """Steps of more than that current for the interval, beyond the counter's own coarseness (0.2 Ah)."""
            result: npt.NDArray[np.bool_] = size > milliamps * elapsed + 200 * 3_600_000
            return result

        reset = beyond(min(self.most_milliamps, _MOST_MILLIAMPS)) | beyond(4 * largest + self.rated_milliamps // 2)
        unexplained = beyond(2 * largest + self.rated_milliamps // 20)
        for row, movement in zip(rows, moved, strict=True):
            former = np.abs(row - movement)
            reset |= unexplained & (np.abs(row) * 20 <= former)
            if self.one_way:
                reset |= movement < 0
        return reset

    def to_plain(self) -> dict[str, object]:
        return {name: getattr(self, name) for name in _COUNTER_STATE}

    def load_plain(self, plain: dict[str, object]) -> None:
        for name in _COUNTER_STATE:
            setattr(self, name, plain[name])


_COUNTER_STATE = ("last", "last_at", "last_milliamps", "skipped")


_STEPS_ALIKE = 512
"""Readings in a row of two devices that are likely to keep step with each other."""


def last_not_after(at_ms: Integers, times: Integers) -> Integers:
    """Index of the last of the rising `at_ms` (m,), m > 0, not after each of the rising `times` (n,), else -1.

    Two devices are mostly read in turn: from the place of every so many times follow the others, and only where that
    does not hold are they looked for one by one, which takes many times longer.
    """
    first = np.searchsorted(at_ms, times[::_STEPS_ALIKE], side="right") - 1
    found = np.repeat(first - np.arange(0, len(times), _STEPS_ALIKE), _STEPS_ALIKE)[: len(times)]
    found += np.arange(len(times))
    np.clip(found, -1, len(at_ms) - 1, out=found)
    # With an end behind the last and before the first, which no time reaches.
    fenced = np.concatenate([_BEFORE_ALL, at_ms, _AFTER_ALL])
    wrong = np.flatnonzero((fenced[found + 1] > times) | (fenced[found + 2] <= times))
    if len(wrong):
        found[wrong] = np.searchsorted(at_ms, times[wrong], side="right") - 1
    return found


_BEFORE_ALL, _AFTER_ALL = np.array([[-(2**63)], [2**63 - 1]], dtype=np.int64)


@dataclass
class Hold:
    """The last known value of a channel, handed on until a newer one comes or `limit_ms` have passed."""

    limit_ms: int
    at_ms: int = 0
    value: int = MISSING
    kept: bool = field(default=False)

    def at(self, times: Integers, at_ms: Integers, values: Integers) -> Integers:
        """Value at each of `times` (n,) from readings (m,), and from the one kept before them. Keeps nothing."""
        if len(values) and values.min() == MISSING:
            good = values != MISSING
            at_ms, values = at_ms[good], values[good]
        if self.kept:
            at_ms = np.concatenate([[self.at_ms], at_ms])
            values = np.concatenate([[self.value], values])
        if not len(at_ms):
            return np.full(len(times), MISSING, dtype=np.int64)
        found = last_not_after(at_ms, times)
        held = values[found]
        unknown = (found < 0) | (times - at_ms[found] > self.limit_ms)
        if unknown.any():
            held[unknown] = MISSING
        return held

    def keep(self, at_ms: Integers, values: Integers) -> None:
        """Keep the last known of these readings (m,) for what comes later."""
        if len(values) and values[-1] != MISSING:
            self.at_ms, self.value, self.kept = int(at_ms[-1]), int(values[-1]), True
            return
        good = np.flatnonzero(values != MISSING)
        if len(good):
            self.at_ms, self.value, self.kept = int(at_ms[good[-1]]), int(values[good[-1]]), True

    def to_plain(self) -> list[int]:
        return [self.at_ms, self.value, int(self.kept)]

    def load_plain(self, plain: list[int]) -> None:
        self.at_ms, self.value, self.kept = plain[0], plain[1], bool(plain[2])
