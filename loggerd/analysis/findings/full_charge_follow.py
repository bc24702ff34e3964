"""One charge, followed frame by frame: held voltage, tail, proof of fullness, and how it ended."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from loggerd.analysis.findings.full_charge_plateaus import Plateaus
from loggerd.analysis.findings.full_charge_reading import Limits, Reading
from loggerd.analysis.findings.full_charge_tail import FRAMES_AN_HOUR, Shape, Tail
from loggerd.analysis.frames import FRAME_MS

_QUARTER = 3
"""Frames in a quarter of an hour."""
_FRAME_MINUTES = FRAME_MS / 60_000
_UNLIKE = 0.025
"""A charge that stays this far [V per cell] below what the bank is usually held at was not held: the source was weak,
or the temperature differs."""
_DIPS = 3
"""A frame's lowest reading may lie so many margins below, or loads have cut into the holding."""
_FINISHING = 0.08
"""A finishing charge stands at least this far [V per cell] above absorption."""
_GAS_SHARE = 0.5
"""Of a finishing current, gas takes no more than this share while the bank is not full."""
_RISEN = 1.2
"""A current that grew so much at a voltage that stands is no longer the tail that was read."""
_LONG_FLOAT = 4
"""A float without absorption takes so many times longer to prove anything."""


@dataclass(slots=True)
class Surroundings:
    """What a charge must know of its bank: `learned` is the voltage at reference at which it is usually held, None if
    not known yet; `factor` what was charged for each Ah taken since it was last at the top, None if not known;
    `missing` what the count says is missing since then at the least [Ah], 0 where that is not known.
    """

    rated: float
    limits: Limits
    learned: float | None
    factor: float | None
    missing: float = 0.0


@dataclass
class Charge:
    """Sums since `start_ms` [Ah, frames]. `net` is signed; `top_net` its highest, reached at `top_ms`; `lately`: the
    net before each of the last frames; `left`: the most that the bank would still take [Ah], None if not known,
    told at `left_amps`, and
    `put_in` what went in since with the voltage held [Ah]; `behind`: a block that was behind when the charge was
    proven full, and how far below the others [V per cell].
    """

    start_ms: int
    session: int
    top_ms: int
    net: float = 0.0
    top_net: float = 0.0
    idle_frames: int = 0
    gap_ms: int = 0
    warmth: float = 0.0
    warm_frames: int = 0
    held_frames: int = 0
    before_limit: float | None = None
    quarter: list[float] = field(default_factory=list)
    lately: list[float] = field(default_factory=list)
    highest: float | None = None
    last_held_volts: float | None = None
    last_shift: float | None = None
    flat_frames: int = 0
    small_frames: int = 0
    float_frames: int = 0
    proven_ms: int | None = None
    likely_ms: int | None = None
    settled_ms: int | None = None
    held_ms: int | None = None
    behind: list[float] | None = None
    left: float | None = None
    left_amps: float = 0.0
    left_frames: int = 0
    put_in: float = 0.0
    by_float: bool = False
    left_at_proof: float | None = None
    told: bool = False
    by_air: bool = False
    """Some of `warmth` is the air's."""
    shape: Shape | None = None
    likely_shape: Shape | None = None
    tail: Tail = field(default_factory=Tail)
    float_tail: Tail = field(default_factory=Tail)
    plateaus: Plateaus = field(default_factory=Plateaus)

    def add(self, reading: Reading, amp_hours: float, gap_ms: int, around: Surroundings) -> None:
        """A frame of it, with what it moved and the time in it without readings."""
        self.lately = [*self.lately, self.net][-_QUARTER:]
        self.net += amp_hours
        self.gap_ms += gap_ms
        away = gap_ms // FRAME_MS
        if away:
            self.tail.leave(away)
            self.float_tail.leave(away)
            self.left, self.left_frames, self.put_in = None, 0, 0.0
        if reading.celsius is not None:
            self.warmth += reading.celsius
            self.warm_frames += 1
            self.by_air = self.by_air or reading.by_air
        self._quarter(reading.volts)
        if reading.amps > 0:
            self.plateaus.add(reading)
        if self._is_held(reading, around):
            self.put_in += amp_hours
            self._hold(reading, around)
            self.float_tail = Tail()
            self.float_frames = 0
        else:
            self.tail.leave()
            if self.left is not None:
                self.left -= min(amp_hours, 0.0)
            if self.tail.away * _FRAME_MINUTES >= around.limits["full_hold_minutes"]:
                self.left_frames = 0
            self._float(reading, around)
        if self.net >= self.top_net:
            self.top_net, self.top_ms = self.net, reading.end_ms

    def _quarter(self, volts: float) -> None:
        self.quarter = [*self.quarter, volts][-_QUARTER:]
        if len(self.quarter) == _QUARTER:
            mean = sum(self.quarter) / _QUARTER
            if self.highest is None or mean > self.highest:
                self.highest = mean

    def _is_held(self, reading: Reading, around: Surroundings) -> bool:
        """At the charging voltage that this charge is held at, or above it."""
        limits = around.limits
        margin = limits["full_volts_margin"]
        if reading.amps <= 0 or reading.at_reference < limits["full_volts_per_cell"]:
            return False
        level = self.plateaus.top
        if around.learned is not None:
            if reading.at_reference < around.learned - _UNLIKE:
                return False
            if level is None:
                level = around.learned + reading.volts - reading.at_reference
        return level is not None and reading.volts >= level - margin and reading.lowest >= level - _DIPS * margin

    def _hold(self, reading: Reading, around: Surroundings) -> None:
        limits, rated = around.limits, around.rated
        if self.before_limit is None:
            # A plateau is known by its third frame.
            new = any(one.frames == len(self.lately) for one in self.plateaus.found)
            self.before_limit = self.lately[0] if new else self.lately[-1]
        self.held_frames += 1
        self.held_ms = reading.end_ms
        self.last_held_volts = reading.volts
        if reading.block_celsius is not None:
            self.last_shift = reading.at_reference - limits["absorption_volts_per_cell"]
        if not self.tail.add(reading.amps, reading.at_reference):
            return
        shape = self.tail.shape(rated)
        if shape is None or self.settled_ms is not None or self.by_float:
            return
        self.shape = shape
        frames = limits["full_hold_minutes"] / _FRAME_MINUTES
        flat = shape.is_flat(rated, limits, "full_tail_flat_per_hour")
        small = shape.amps < limits["full_tail_small_fraction"] * rated and shape.fall is not None
        settled = small or (flat and shape.amps < limits["full_tail_proven_fraction"] * rated)
        self.flat_frames = self.flat_frames + 1 if settled else 0
        self.left_frames = self.left_frames + 1 if self._little_left(shape, around) else 0
        if self.flat_frames >= frames:
            self.settled_ms = reading.end_ms
        if self.proven_ms is not None:
            return
        self.small_frames = self.small_frames + 1 if self._signs(shape, reading, around) >= 2 else 0
        if self.settled_ms is not None:
            self.proven_ms = reading.end_ms
        elif self.left_frames >= frames:
            self.proven_ms, self.left_at_proof = reading.end_ms, self.left
        if self.small_frames >= frames:
            self.likely_ms, self.likely_shape = reading.end_ms, shape

    def _little_left(self, shape: Shape, around: Surroundings) -> bool:
        """Whether what the bank would still take is next to nothing, and the count does not say otherwise."""
        limits, rated = around.limits, around.rated
        if shape.amps >= limits["full_tail_proven_fraction"] * rated:
            # So much is no tail; if it was less before, it has risen, as in a thermal runaway.
            self.left = None
            return False
        still = shape.rise is not None and shape.rise < limits["full_volts_flat_per_hour"]
        if still and shape.amps > _RISEN * self.left_amps:
            self.left = None
        told = shape.left
        if told is not None and (self.left is None or told <= self.left):
            self.left, self.left_amps, self.put_in = told, shape.amps, 0.0
        if self.left is not None and self.tail.rise_slows():
            # A constant current finishes the charge: past the knee of the voltage.
            self.left = max(self.left - _GAS_SHARE * self.put_in, 0.0)
            self.put_in = 0.0
        most = limits["full_left_fraction"] * rated
        return self.left is not None and self.left < most and around.missing < most

    @staticmethod
    def _signs(shape: Shape, reading: Reading, around: Surroundings) -> int:
        """How many signs of a full bank are there: a small current, or one that finishes the charge at the voltage of
        strong gassing; a nearly flat one; more charged than was taken.
        """
        limits = around.limits
        small = shape.amps < limits["full_tail_likely_fraction"] * around.rated
        flat = shape.is_flat(around.rated, limits, "full_flat_likely_per_hour")
        returned = around.factor is not None and around.factor >= limits["charge_factor_low"]
        gassing = max(limits["equalize_volts_per_cell"], limits["absorption_volts_per_cell"] + _FINISHING)
        finishing = (
            shape.amps < limits["full_tail_proven_fraction"] * around.rated
            and reading.at_reference >= gassing - limits["full_volts_margin"]
        )
        return int(small or finishing) + int(flat) + int(returned)

    def _float(self, reading: Reading, around: Surroundings) -> None:
        """On float, hours of a tiny flat current prove what a short absorption did not."""
        limits = around.limits
        tiny = abs(reading.amps) < limits["full_tail_small_fraction"] * around.rated
        if not (tiny and reading.amps > 0 and reading.at_reference >= limits["float_volts_per_cell"] - _UNLIKE):
            self.float_tail.leave()
            self.float_frames = max(0, self.float_frames - 3)
            return
        self.float_frames += 1
        if not self.float_tail.add(reading.amps, reading.at_reference) or self.float_frames % FRAMES_AN_HOUR:
            return
        shape = self.float_tail.shape(around.rated)
        hours = self.float_frames / FRAMES_AN_HOUR
        needed = limits["full_float_hours"] * (1 if self.held_frames >= FRAMES_AN_HOUR // 2 else _LONG_FLOAT)
        if shape is None or not shape.is_flat(around.rated, limits, "full_tail_flat_per_hour"):
            return
        if hours >= needed and self.proven_ms is None:
            self.proven_ms, self.by_float, self.shape = reading.end_ms, True, shape
            self.last_held_volts = reading.volts
        if 3 * hours >= needed:
            self.likely_ms, self.likely_shape = reading.end_ms, shape

    @property
    def best_shape(self) -> Shape | None:
        """How the tail ran when the bank was found full; else at its end."""
        return self.shape if self.proven_ms is not None or self.likely_shape is None else self.likely_shape

    @property
    def celsius(self) -> float | None:
        return self.warmth / self.warm_frames if self.warm_frames else None

    @property
    def block_celsius(self) -> float | None:
        """None where some of it is the air's."""
        return None if self.by_air else self.celsius

    @property
    def returned(self) -> float:
        """What it has put in, up to its highest point [Ah]."""
        return self.top_net

    def to_plain(self) -> dict[str, Any]:
        plain = dict(vars(self))
        for name in ("shape", "likely_shape"):
            shape = getattr(self, name)
            plain[name] = None if shape is None else vars(shape)
        for name in ("tail", "float_tail", "plateaus"):
            plain[name] = getattr(self, name).to_plain()
        return plain

    @staticmethod
    def from_plain(plain: Mapping[str, Any]) -> Charge:
        kept = dict(plain)
        for name in ("shape", "likely_shape"):
            kept[name] = None if kept[name] is None else Shape(**kept[name])
        kept["tail"], kept["float_tail"] = Tail.from_plain(kept["tail"]), Tail.from_plain(kept["float_tail"])
        kept["plateaus"] = Plateaus.from_plain(kept["plateaus"])
        return Charge(**kept)
