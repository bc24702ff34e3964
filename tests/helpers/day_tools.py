"""Small loads written as a story, and their fold: for tests with numbers that can be checked by hand."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from fold_tools import axis, bank, block, plan, series, whole

from loggerd.analysis.axis import SessionAxis
from loggerd.analysis.fold import BankFold
from loggerd.analysis.plan import Rules
from loggerd.model.bank import Accuracy, Bank
from loggerd.model.ledger import Entry, LedgerName, MarkSpan

HOUR = 3_600_000


def load(steps: Sequence[tuple[float, float]], interval_ms: int = 10_000) -> tuple[np.ndarray, np.ndarray]:
    """Times [ms] and currents [mA] of (amps, hours) after each other.

    The reading at the instant of a switch still sees the old state, so that sums come out exact.
    """
    ends = np.cumsum([hours for _, hours in steps])
    at_ms = np.arange(0, round(float(ends[-1]) * HOUR) + 1, interval_ms)
    index = np.searchsorted(np.rint(ends * HOUR), at_ms, side="left")
    levels = np.array([round(amps * 1000) for amps, _ in steps])
    return at_ms, levels[np.minimum(index, len(levels) - 1)]


def day(
    steps: Sequence[tuple[float, float]],
    of: Bank | None = None,
    accuracy: Accuracy | None = None,
    rules: Rules | None = None,
    interval_ms: int = 10_000,
    volts: tuple[float, float] = (48.0, 54.0),
) -> list[Entry]:
    """All entries of a load; the bank shows the second of `volts` while charging, and the first otherwise."""
    at_ms, milliamps = load(steps, interval_ms)
    millivolts = np.where(milliamps > 0, volts[1], volts[0]) * 1000
    fold = BankFold(plan({"amps": series("amps", accuracy), "volts": series("volts")}, of or bank(100.0), rules))
    return whole([fold.push(axis(interval_ms), [block(at_ms, [milliamps, millivolts])])], fold)


def without(at_ms: np.ndarray, milliamps: np.ndarray, start_hours: float, end_hours: float) -> tuple[np.ndarray, ...]:
    """The readings without those strictly between two instants."""
    kept = (at_ms <= start_hours * HOUR) | (at_ms >= end_hours * HOUR)
    return at_ms[kept], milliamps[kept]


def fold_columns(
    columns: dict[str, tuple[np.ndarray, np.ndarray]],
    of: Bank | None = None,
    accuracy: Accuracy | None = None,
    interval_ms: int = 10_000,
    valid: dict[str, tuple[int, int]] | None = None,
) -> tuple[list[Entry], list[MarkSpan]]:
    """Entries and marks of channels, each on a device of its own if its times differ from those of the first."""
    names = list(columns)
    first = columns[names[0]][0]
    devices = {name: "meter" if columns[name][0] is first else f"device {number}" for number, name in enumerate(names)}
    made = {
        name: series(
            name,
            accuracy if name.endswith("amps") else None,
            devices[name],
            *([valid[name]] if valid and name in valid else []),
        )
        for name in names
    }
    fold = BankFold(plan(made, of or bank(100.0)))
    blocks = []
    for device in dict.fromkeys(devices.values()):
        ids = [number for number, name in enumerate(names) if devices[name] == device]
        at_ms = columns[names[ids[0]]][0]
        blocks.append(block(at_ms, [columns[names[number]][1] for number in ids], device, ids))
    place = SessionAxis(1, 0, interval_ms=dict.fromkeys(devices.values(), interval_ms))
    settled = fold.push(place, blocks)
    return whole([settled], fold), [*settled.marks, *fold.view().marks]


def kinds(entries: Sequence[Entry], ledger: LedgerName = LedgerName.PHASES) -> list[tuple[str, float, float, bool]]:
    """(kind, start and end in hours, complete) of a ledger's entries."""
    return [
        (entry.kind, entry.start.at_ms / HOUR, entry.end.at_ms / HOUR, entry.complete)
        for entry in entries
        if entry.ledger is ledger
    ]
