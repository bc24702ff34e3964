"""A toy bank for tests of the findings about blocks: blocks in series, straight laws, five-minute frames. Invented.

A cell: rested voltage linear in what is left of its own charge, a knee near empty, one resistance, and gassing that
lifts it at the end of a charge.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from frame_tools import START_MS, make_frame

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.events import Rested, SinceFull
from loggerd.analysis.frames import FRAME_MS, Frame, Layout, Step
from loggerd.model.bank import Bank
from loggerd.model.finding import Finding

HOURS = FRAME_MS / 3_600_000


@dataclass
class ToyBank:
    """Block values are arrays (b,). `capacity`: share of the rated amp-hours; `behind`: charge missing, as a share;
    `ohms` per cell; `missing`: cells that give nothing; `offset`: what a tap reads wrong [V]; `leak`: share a day;
    `joints`: ohms."""

    bank: Bank
    rng: np.random.Generator
    capacity: np.ndarray
    ohms: np.ndarray
    behind: np.ndarray
    missing: np.ndarray
    offset: np.ndarray
    leak: np.ndarray
    joints: np.ndarray
    noise_volts: float = 0.0002
    position: int = 0
    frames: list[Frame] = field(default_factory=list)
    full: set[int] = field(default_factory=set)
    change: Callable[[np.ndarray, float], np.ndarray] | None = None
    """Changes the readings, given the current."""

    @staticmethod
    def healthy(bank: Bank, seed: int, spread: float = 0.0, ohms_spread: float = 0.0, scatter: float = 0.0) -> ToyBank:
        rng, count = np.random.default_rng(seed), bank.blocks
        return ToyBank(
            bank,
            rng,
            1.05 * (1.0 + spread * rng.standard_normal(count)),
            0.25 / bank.rated_amp_hours * (1.0 + ohms_spread * rng.standard_normal(count)),
            scatter * rng.standard_normal(count),
            np.zeros(count),
            np.zeros(count),
            np.zeros(count),
            np.zeros(count),
        )

    def readings(self, amps: float, gassing: float = 0.0) -> np.ndarray:
        """Volts of the blocks at that current; `gassing` lifts those that are full [V per cell]."""
        left = 1.0 - np.maximum(self.behind, -0.02) / self.capacity
        knee = 0.25 * np.exp(-np.maximum(left, -0.12) / 0.05)
        cell = 1.98 + 0.13 * np.clip(left, -0.2, 1.0) - knee + self.ohms * amps * (1.5 - 0.5 * left)
        cell = cell + gassing * np.exp(-np.maximum(self.behind, 0.0) / 0.02)
        volts = cell * (self.bank.cells_per_block - self.missing)
        volts = volts + self.offset + self.joints * amps + self.noise_volts * self.rng.standard_normal(len(volts))
        return volts if self.change is None else self.change(volts, amps)

    def run(self, amps: float, hours: float, gassing: float = 0.0, steps: bool = False) -> None:
        """Let that current flow."""
        for _ in range(round(hours / HOURS)):
            moved = amps * HOURS / self.bank.rated_amp_hours
            self.behind = self.behind - moved + self.leak * HOURS / 24.0
            volts = self.readings(amps, gassing)
            taken = (self._step(amps),) if steps else ()
            whole = float((self.readings(amps, gassing) - self.offset)[: self.bank.blocks_per_string].sum())
            self.frames.append(
                make_frame(self.bank, self.position, amps, whole, block_volts=volts.tolist(), steps=taken)
            )
            self.position += 1

    def _step(self, amps: float) -> Step:
        layout = Layout.of(self.bank)
        volts = np.full(len(layout.names), np.nan)
        jump = -0.1 * self.bank.rated_amp_hours
        noise = 0.002 * self.rng.standard_normal(self.bank.blocks)
        volts[layout.block_volts] = (self.ohms * self.bank.cells_per_block + self.joints) * jump + noise
        return Step.of(START_MS + self.position * FRAME_MS, "meter", jump, volts, 60.0)

    def day(self, depth: float, rate: float = 0.1, rest: float = 6.0, scatter: float = 0.0) -> None:
        """Discharge, charge to full (all blocks alike, but for what lags), rest. `scatter`: of the charge that blocks
        have in the discharge, and make good in the charge."""
        rated = self.bank.rated_amp_hours
        drawn = scatter * self.rng.standard_normal(self.bank.blocks)
        self.behind = self.behind + drawn
        self.run(-rate * rated, depth / rate, steps=True)
        self.behind = self.behind - drawn
        self.run(0.15 * rated, depth / 0.15 * 0.9)
        self.run(0.05 * rated, 0.05 * depth / 0.05, gassing=0.3)
        self.run(0.01 * rated, 0.05 * depth / 0.01, gassing=0.35)
        self.full.add(self.frames[-1].number)
        self.run(0.0, rest)


class FullAndRest:
    """In place of the topics before: the bank is full in given frames, and rests are read at their end."""

    def __init__(self, ground: Ground, full: set[int]) -> None:
        self._bank, self._full = ground.bank, full
        self._full_ms, self._rest_ms, self._out = 0, 0, 0.0
        self._volts: tuple[float | None, ...] = ()

    def push(self, moment: Moment) -> list[Finding]:
        frame = moment.frame
        self._out -= frame.amp_hours
        if frame.number in self._full:
            self._full_ms, self._out = frame.end_ms, 0.0
        if self._full_ms:
            moment.since_full = SinceFull(self._full_ms, True, max(self._out, 0.0), 0.0, 0)
        if abs(frame.amps) < 1e-9:
            self._rest_ms = self._rest_ms or frame.start_ms
            self._volts = tuple(None if np.isnan(one) else float(one) for one in frame.block_volts)
        elif self._rest_ms:
            self._tell(moment)
            self._rest_ms = 0
        return []

    def _tell(self, moment: Moment) -> None:
        at = moment.frame.start_ms
        hours = (at - self._rest_ms) / 3_600_000
        if hours >= 1.0:
            grade = "A" if hours >= 8.0 else "B" if hours >= 2.0 else "C"
            moment.events.append(
                Rested(self._rest_ms, at, hours, 2.1, 0.01, grade, 0.0, 25.0, self._volts, "charge", "proven", 1.0, 0.1)
            )

    def to_plain(self) -> dict[str, Any]:
        return {"full": self._full_ms, "rest": self._rest_ms, "volts": list(self._volts), "out": self._out}

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._full_ms, self._rest_ms, self._out = plain["full"], plain["rest"], plain["out"]
        self._volts = tuple(plain["volts"])
