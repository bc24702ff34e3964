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
_FINISHING = 0.05
"""A finishing or an equalizing step stands at least this far [V per cell] above absorption (own choice: those that are
known lie 0.09 to 0.35 above)."""
_FINISHING_AMPS = 0.06
"""Such a step is limited to at most this share of the rated amp-hours: common practice for flooded cells is 2 to 5 A
per 100 Ah, no source."""
_HALF = 0.5
"""It begins with less than this share of the current that absorption began with."""
_LOWER = 0.1
"""So far [V per cell] below float's preset a charger that is set low may hold absorption."""
_DEEP_FALL = 0.4
"""A current that fell to this share in two hours at one voltage was limited by the charger."""
_STANDS = 0.003
"""Volts per cell that a held voltage may have left its mean. The surface charge of a bank at rest dies away by more in
the same hours."""
_ABOVE_NOISE = 0.5
"""Of a current that is zero and noisy, the frames in which it looks like a charge show 0.15 of the width of their
readings on average (five readings a frame, normal noise)."""


@dataclass
class Plateau:
    """Sums over its frames; `celsius` (of the blocks) and `ambient` over those that know them. `level` is its latest
    voltage, `reference_level` that at reference."""

    level: float
    reference_level: float
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
        self.reference_level += _FOLLOW * (reading.at_reference - self.reference_level)
        self.frames += 1
        self.volts += reading.volts
        self.at_reference += reading.at_reference
        if reading.block_celsius is not None:
            self.celsius += reading.block_celsius
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
        return self.frames >= _TWO_HOURS and flows and self.stands and self.amps < most_amps * self.frames

    @property
    def stands(self) -> bool:
        """Whether the voltage stayed where it was, as read or for its temperature, and did not die away."""
        off = (self.level - self.volts / self.frames, self.reference_level - self.at_reference / self.frames)
        return min(abs(one) for one in off) <= _STANDS

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
    """Those of one charge, in order of their beginning. `pending`: the last readings that belong to none; `highest`:
    the highest reading of all [V per cell, at reference]."""

    found: list[Plateau] = field(default_factory=list)
    pending: list[Reading] = field(default_factory=list)
    highest: float = 0.0

    def add(self, reading: Reading) -> None:
        self.highest = max(self.highest, reading.at_reference)
        for plateau in self.found:
            if abs(reading.volts - plateau.level) <= _NEAR:
                plateau.join(reading)
                self.pending = []
                return
        self.pending = [*self.pending, reading][-_BEGIN:]
        volts = [one.volts for one in self.pending]
        if len(volts) == _BEGIN and max(volts) - min(volts) <= _NEAR:
            plateau = Plateau(volts[0], self.pending[0].at_reference)
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
        """The voltage that limited the current, at least `least` [V per cell, at reference]; None without.

        The highest, since a weak sun makes plateaus too, but lower ones. It is not that of a finishing or equalizing
        step, which a small current drives above absorption.
        """
        held = [one for one in self.found if one.is_held(0.01 * rated) and one.at_reference >= least * one.frames]
        if not held:
            return self._set_low(rated, least)
        top = max(held, key=lambda one: one.level)
        before = [one for one in held[: held.index(top)] if _steps_up(one, top, rated)]
        return max(before, key=lambda one: one.level, default=top).seen()

    def _set_low(self, rated: float, least: float) -> Held | None:
        """Of a charger that holds less than is usual for float: the voltage of a long deep fall of the current, after
        which the charger went down to float. Without that step it may be float itself."""
        for place, one in enumerate(self.found):
            deep = one.frames >= _TWO_HOURS and one.last_amps <= _DEEP_FALL * one.first_amps
            if not deep or not one.is_held(0.01 * rated) or one.at_reference < (least - _LOWER) * one.frames:
                continue
            after = self.found[place + 1 :]
            if any(later.frames >= _TWO_HOURS and later.level < one.level - _FINISHING for later in after):
                return one.seen()
        return None

    def float_level(self, rated: float, least: float, below: float, zero_amps: float) -> Held | None:
        """The voltage of a long small current, from `least` to `below`; None without one. `zero_amps`: what the
        current can be wrong by at zero: a bank at rest, shown with a little charge, is held by nobody."""
        most = 0.01 * rated
        floats = [one for one in self.found if one.is_float(most, zero_amps) and not one.is_held(most)]
        # A bank that rests before the charger comes on stands still too; float comes last.
        floats = [one for one in floats if not self._rose_after(one)]
        absorption = self.absorption(rated, least)
        floats = [one for one in floats if one.at_reference >= least * one.frames]
        highest = below if absorption is None else min(below, absorption.at_reference)
        floats = [one for one in floats if one.at_reference < (highest - _BELOW) * one.frames]
        return max(floats, key=lambda one: one.frames).seen() if floats else None

    def _rose_after(self, one: Plateau) -> bool:
        later = self.found[self.found.index(one) + 1 :]
        return any(other.level > one.level + _BELOW for other in later)

    def to_plain(self) -> dict[str, Any]:
        found, pending = ([dict(vars(one)) for one in rows] for rows in (self.found, self.pending))
        return {"found": found, "pending": pending, "highest": self.highest}

    @staticmethod
    def from_plain(plain: Mapping[str, Any]) -> Plateaus:
        found, pending = [Plateau(**one) for one in plain["found"]], [Reading(**one) for one in plain["pending"]]
        return Plateaus(found, pending, plain["highest"])


def _steps_up(absorption: Plateau, above: Plateau, rated: float) -> bool:
    """Whether the charger went from the one to the other with a small current, to finish the charge."""
    small = above.first_amps <= min(_FINISHING_AMPS * rated, _HALF * absorption.first_amps)
    return small and above.level >= absorption.level + _FINISHING
