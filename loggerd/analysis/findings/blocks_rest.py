"""A block that loses charge at rest faster than its peers: slope of its deviation over hours of rest.

Straight line by least squares, after the hours in which surface charge goes. Own method, after common practice.
"""

from __future__ import annotations

from typing import Any

from loggerd.analysis.findings.blocks_rows import deviations, to_floats, to_row
from loggerd.analysis.findings.catalogue import Ground, Moment

_SETTLE_HOURS = 4.0
_LEAST_HOURS = 6.0
_KEPT = 5
_LEAST_FRAMES = 12


class RestFall:
    """Sums of each block's deviation over the time of a rest; told when the rest is over."""

    def __init__(self, ground: Ground) -> None:
        bank = ground.bank
        self._still = bank.rated_amp_hours
        self._blocks = bank.blocks
        per = bank.blocks_per_string
        self._groups = tuple(range(per * number, per * (number + 1)) for number in range(bank.strings))
        self._start_ms = -1
        self._count, self._hours, self._squares = 0, 0.0, 0.0
        self._volts, self._products = [0.0] * bank.blocks, [0.0] * bank.blocks
        """Sums of volts per cell, and of hours times volts (b,)."""
        self._falls: list[list[float]] = [[] for _ in range(bank.blocks)]

    def push(self, moment: Moment, cells: list[float]) -> list[tuple[int, float, int, int]]:
        """Block, share of charge that it loses a day more than its peers, rests that agree, rests looked at: once a
        rest is over, for each block. `cells`: volts per cell by block."""
        frame = moment.frame
        if frame.after_unknown:
            self._start_ms = -1
        if abs(frame.amps) < moment.limits["rest_leak_fraction"] * self._still:
            if self._start_ms < 0:
                self._begin(frame.start_ms)
            self._add((frame.end_ms - self._start_ms) / 3_600_000, cells)
            return []
        if self._start_ms < 0:
            return []
        hours = (frame.start_ms - self._start_ms) / 3_600_000 - _SETTLE_HOURS
        self._start_ms = -1
        return self._finish(moment) if hours >= _LEAST_HOURS else []

    def _add(self, hours: float, cells: list[float]) -> None:
        if hours < _SETTLE_HOURS:
            return
        self._count += 1
        self._hours += hours
        self._squares += hours * hours
        self._volts = [total + cell for total, cell in zip(self._volts, cells, strict=True)]
        self._products = [total + hours * cell for total, cell in zip(self._products, cells, strict=True)]

    def _begin(self, start_ms: int) -> None:
        self._start_ms = start_ms
        self._count, self._hours, self._squares = 0, 0.0, 0.0
        self._volts, self._products = [0.0] * self._blocks, [0.0] * self._blocks

    def _finish(self, moment: Moment) -> list[tuple[int, float, int, int]]:
        limits = moment.limits
        per_charge = limits["rest_volts_full"] - limits["rest_volts_flat"]
        spread = self._count * self._squares - self._hours * self._hours
        if self._count < _LEAST_FRAMES or spread <= 0.0:
            return []
        pairs = zip(self._volts, self._products, strict=True)
        slopes = [(self._count * product - self._hours * volts) / spread for volts, product in pairs]
        apart = deviations(to_row([volts / self._count for volts in self._volts]), self._groups)
        told = []
        for block, slope in enumerate(deviations(to_row(slopes), self._groups)):
            deviation = apart[block]
            # A block beyond the straight part of its curve falls by itself, or climbs back after a load.
            if slope is None or (deviation is not None and deviation < -per_charge):
                continue
            share = -24.0 * slope / per_charge
            falls = self._falls[block]
            falls.append(round(share, 5))
            del falls[:-_KEPT]
            agree = sum(one > limits["block_fall_per_day"] for one in falls)
            told.append((block, falls[-1], agree, len(falls)))
        return told

    def forget(self, block: int) -> None:
        """Another block sits there now."""
        self._falls[block] = []

    def to_plain(self) -> dict[str, Any]:
        return {
            "start": self._start_ms,
            "sums": [self._count, self._hours, self._squares, to_row(self._volts), to_row(self._products)],
            "falls": self._falls,
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._start_ms, self._falls = plain["start"], plain["falls"]
        self._count, self._hours, self._squares, volts, products = plain["sums"]
        self._volts, self._products = to_floats(volts), to_floats(products)
