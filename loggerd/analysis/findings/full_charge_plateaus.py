"""Voltages at which a charge was held: stretches of equal voltage, found frame by frame."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from loggerd.analysis.findings.full_charge_reading import Reading

_NEAR = 0.006
"""Volts per cell within which a frame belongs to a plateau; it may drift slowly with the temperature."""
_FOLLOW = 0.2
_BEGIN = 3
_MOST = 5
_HALF_HOUR = 6
_TWO_HOURS = 24
_BELOW = 0.03
"""Float lies at least this far [V per cell] below absorption."""
_FELL = 0.85
"""A current that fell to this share while the voltage stayed was limited by the voltage."""
_ABOVE_NOISE = 0.5
"""Of a current that is zero and noisy, the frames in which it looks like a charge show 0.15 of the width of their
readings on average (five readings a frame, normal noise)."""


@dataclass
class Plateau:
    """Sums over its frames; `celsius` and `ambient` over those that know them. `level` is its latest voltage."""

    level: float
    frames: int = 0
    volts: float = 0.0
    at_reference: float = 0.0
    celsius: float = 0.0
    warm: int = 0
    ambient: float = 0.0
    aired: int = 0
    first_amps: float = 0.0
    last_amps: float = 0.0
    amps: float = 0.0
    width: float = 0.0

    def join(self, reading: Reading) -> None:
        self.level += _FOLLOW * (reading.volts - self.level)
        self.frames += 1
        self.volts += reading.volts
        self.at_reference += reading.at_reference
        if reading.celsius is not None:
            self.celsius += reading.celsius
            self.warm += 1
        if reading.ambient is not None:
            self.ambient += reading.ambient
            self.aired += 1
        if self.frames == 1:
            self.first_amps = self.last_amps = reading.amps
        self.last_amps += 0.5 * (reading.amps - self.last_amps)
        self.amps += reading.amps
        self.width += reading.width

    def is_held(self, least_amps: float) -> bool:
        """Whether the charger's voltage made it, and not a lack of current."""
        return self.frames >= _HALF_HOUR and self.first_amps >= least_amps and self.last_amps <= _FELL * self.first_amps

    def is_float(self, most_amps: float, zero_amps: float) -> bool:
        """Whether a small current flows in at it, and not only the noise or the zero of one that is read at rest."""
        flows = self.amps > max(_ABOVE_NOISE * self.width, zero_amps * self.frames)
        return self.frames >= _TWO_HOURS and flows and self.amps < most_amps * self.frames

    def seen(self) -> Held:
        return Held(
            self.volts / self.frames,
            self.at_reference / self.frames,
            self.celsius / self.warm if self.warm == self.frames else None,
            self.ambient / self.aired if self.aired == self.frames else None,
        )


@dataclass(frozen=True)
class Held:
    """A voltage at which a charger held the bank: per cell, as read and at reference; temperatures where known."""

    volts: float
    at_reference: float
    celsius: float | None
    ambient: float | None


@dataclass
class Plateaus:
    """Those of one charge, in order of their beginning. `pending`: the last readings that belong to none."""

    found: list[Plateau] = field(default_factory=list)
    pending: list[Reading] = field(default_factory=list)

    def add(self, reading: Reading) -> None:
        for plateau in self.found:
            if abs(reading.volts - plateau.level) <= _NEAR:
                plateau.join(reading)
                self.pending = []
                return
        self.pending = [*self.pending, reading][-_BEGIN:]
        volts = [one.volts for one in self.pending]
        if len(volts) == _BEGIN and max(volts) - min(volts) <= _NEAR:
            plateau = Plateau(volts[0])
            for one in self.pending:
                plateau.join(one)
            self.pending = []
            self.found.append(plateau)
            if len(self.found) > _MOST:
                self.found.remove(min(self.found, key=lambda one: one.frames))

    @property
    def top(self) -> float | None:
        """The highest level."""
        return max((one.level for one in self.found), default=None)

    def absorption(self, rated: float, least: float) -> Held | None:
        """The highest voltage that limited the current, at least `least` [V per cell, at reference]; None without.

        The highest, since a weak sun makes plateaus too, but lower ones.
        """
        held = [one for one in self.found if one.is_held(0.01 * rated) and one.at_reference >= least * one.frames]
        return max(held, key=lambda one: one.level).seen() if held else None

    def float_level(self, rated: float, least: float, below: float, zero_amps: float) -> Held | None:
        """The voltage of a long small current, from `least` to `below`; None without one. `zero_amps`: what the
        current can be wrong by at zero: a bank at rest, shown with a little charge, is held by nobody."""
        most = 0.01 * rated
        floats = [one for one in self.found if one.is_float(most, zero_amps) and not one.is_held(most)]
        absorption = self.absorption(rated, least)
        highest = below if absorption is None else min(below, absorption.at_reference)
        floats = [one for one in floats if one.at_reference < (highest - _BELOW) * one.frames]
        return max(floats, key=lambda one: one.frames).seen() if floats else None

    def to_plain(self) -> dict[str, Any]:
        return {"found": [dict(vars(one)) for one in self.found], "pending": [dict(vars(one)) for one in self.pending]}

    @staticmethod
    def from_plain(plain: Mapping[str, Any]) -> Plateaus:
        return Plateaus([Plateau(**one) for one in plain["found"]], [Reading(**one) for one in plain["pending"]])
