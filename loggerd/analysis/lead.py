"""Which series measure the current and the voltage of a bank, and what of them is integrated.

In order of preference: for the sign of the current, an averaged current, then the plain current, then the sum of all
strings; for the charge, the instrument's own amp-hour counter where it has one on the same device.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from loggerd.model.bank import Bank, Series
from loggerd.model.channels import MISSING
from loggerd.model.scan import Integers


NO_CURRENT = (
    "nothing measures the current of this bank (amps, mean_amps, or string_N_amps of all strings), "
    "so there are no phases and no cycles"
)


@dataclass(frozen=True)
class LeadChoice:
    """Channel names read for the current, the counter and the voltage, and the devices that have them."""

    device: str
    amps: tuple[str, ...]
    averaged: bool
    counters: tuple[str, ...]
    volts_device: str | None
    reading: Series


def choose_lead(bank: Bank, series: Mapping[int, Series]) -> LeadChoice | None:
    """The choice for a bank, or None if nothing measures its current."""
    by_device: dict[str, dict[str, Series]] = {}
    for one in series.values():
        by_device.setdefault(one.device, {})[one.channel.name] = one
    strings = tuple(f"string_{number}_amps" for number in range(1, bank.strings + 1))
    for names, averaged in ((("mean_amps",), True), (("amps",), False), (strings, False)):
        for device, channels in sorted(by_device.items()):
            if all(name in channels for name in names):
                return LeadChoice(
                    device,
                    names,
                    averaged,
                    _counters(channels),
                    _volts_device(device, by_device),
                    channels[names[0]],
                )
    return None


def _counters(channels: Mapping[str, Series]) -> tuple[str, ...]:
    for names in (("net_amp_hours",), ("charged_amp_hours", "discharged_amp_hours")):
        if all(name in channels for name in names):
            return names
    return ()


def _volts_device(device: str, by_device: Mapping[str, Mapping[str, Series]]) -> str | None:
    having = sorted(name for name, channels in by_device.items() if "volts" in channels)
    return device if device in having else having[0] if having else None


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

    A reset is a step that the current can't have made: larger than `most_milliamps` for the whole interval (and a
    one-way counter that goes down). Such an interval falls back to the measured current.
    """

    most_milliamps: int
    one_way: bool
    last: list[int] | None = None
    last_at: int = 0
    skipped: bool = False

    def push(self, at_ms: Integers, counters: list[Integers]) -> tuple[Integers, Integers]:
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
        most = self.most_milliamps * elapsed // 3_600_000 + 200
        reset = np.abs(charge) > most
        if self.one_way:
            for movement in moved:
                reset |= movement < 0
        charge = np.where(reset, np.int64(MISSING), charge)
        # A reading that is missing in between would give one interval the charge of two.
        whole = np.diff(np.flatnonzero(known), prepend=-2 if self.skipped else -1) == 1
        self.skipped = not bool(known[-1])
        steps[known] = np.where(whole, charge, np.int64(MISSING))
        if self.last is None:
            steps[np.flatnonzero(known)[0]] = MISSING
        self.last, self.last_at = [int(row[-1]) for row in rows], int(at[-1])
        return steps, at[reset]

    def to_plain(self) -> dict[str, object]:
        return {"last": self.last, "last_at": self.last_at, "skipped": self.skipped}

    def load_plain(self, plain: dict[str, object]) -> None:
        self.last = plain["last"]  # type: ignore[assignment]
        self.last_at = int(plain["last_at"])  # type: ignore[call-overload]
        self.skipped = bool(plain["skipped"])


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
        found = np.searchsorted(at_ms, times, side="right") - 1
        held = values[found]
        unknown = (found < 0) | (times - at_ms[found] > self.limit_ms)
        if unknown.any():
            held[unknown] = MISSING
        return held

    def keep(self, at_ms: Integers, values: Integers) -> None:
        """Keep the last known of these readings (m,) for what comes later."""
        good = np.flatnonzero(values != MISSING)
        if len(good):
            self.at_ms, self.value, self.kept = int(at_ms[good[-1]]), int(values[good[-1]]), True

    def to_plain(self) -> list[int]:
        return [self.at_ms, self.value, int(self.kept)]

    def load_plain(self, plain: list[int]) -> None:
        self.at_ms, self.value, self.kept = plain[0], plain[1], bool(plain[2])
