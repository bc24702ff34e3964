"""Is the charger set right? Voltages at which charges were held, against the preset and the temperature."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.findings.full_charge_plateaus import Held
from loggerd.analysis.findings.full_charge_reading import Limits, volts_error
from loggerd.analysis.findings.full_charge_robust import slope_with_band
from loggerd.analysis.findings.full_charge_specs import COMPENSATION, SET_POINTS
from loggerd.analysis.findings.full_charge_telling import Said, Teller, cannot_tell
from loggerd.model.finding import Finding

_JUDGED = 3
"""So many charges must agree."""
_RECENT = 5
_KEPT = 90
_LEAST_POINTS = 12
_CLEARER = 0.6
"""A temperature explains the voltage better when it leaves less than this share of the other's scatter."""
_LEAST_SCATTER = 0.001
_STEADY = 8
_STEP = 0.03
_OFF_LINE, _OFF_SCATTER = 0.008, 6.0
"""Volts per cell off the line of the charges before, and so many times what they scatter about it (own choice)."""
_CLEAR_SCATTER = 4.0
"""A slope is called wrong when the voltages lie within so many mV per cell of it."""
_FINE_SCATTER = 1.0
"""Within so many mV per cell, half the range of temperature is enough."""
_SAME = 0.015
"""Volts per cell within which a setting comes back, as read or for its temperature: what a bank happens to stand at in
a weak sun or while it rests does not (own choice, under the 25 mV of tolerance)."""
_BRIEF = 0.05
"""Volts per cell that a charge went above where it was held: its absorption was too short to be a voltage held."""
_MINOR_VOLTS, _MINOR_SLOPE = 0.003, 0.4
_BESIDE_AIR = (-10.0, 20.0)
"""Kelvin by which blocks may be colder and warmer than the air while they are charged: they lag behind day and night by
many hours, and their charge warms them (own choice, no source)."""


@dataclass
class SetPoints:
    """`absorption`, `floats`: the last held voltages, [shift from the preset's range, shift, celsius, kelvin by which
    that may be off where it is worked out from the air's, else 0], newest last.

    `against`: [volts, celsius, ambient] of absorption for the slope.
    """

    ground: Ground
    absorption: list[list[float | None]] = field(default_factory=list)
    floats: list[list[float | None]] = field(default_factory=list)
    against: list[list[float | None]] = field(default_factory=list)
    levels: list[float] = field(default_factory=list)
    said: dict[str, str] = field(default_factory=dict)
    """What was last said of absorption and of float."""

    @property
    def learned(self) -> float | None:
        """The voltage per cell, at reference, at which the bank is usually held; None until two charges tell."""
        return median(self.levels) if len(self.levels) >= 2 else None

    def charge_ended(self, absorption: Held | None, float_level: Held | None, highest: float, moment: Moment) -> None:
        """The voltages that a charge was held at. `highest`: of its readings [V per cell, at reference]."""
        limits = moment.limits
        if absorption is not None and self._is_float(absorption, float_level, highest, limits):
            absorption, float_level = None, absorption
        if absorption is not None:
            self.levels = [*self.levels, absorption.at_reference][-_RECENT:]
            self.absorption = _kept(self.absorption, absorption, limits["absorption_volts_per_cell"], limits)
            if absorption.celsius is not None:
                row = [absorption.volts, absorption.celsius, absorption.ambient]
                self.against = [*self.against, row][-_KEPT:]
                self._forget_before_step()
        if float_level is not None:
            self.floats = _kept(self.floats, float_level, limits["float_volts_per_cell"], limits)

    def _is_float(self, held: Held, float_level: Held | None, highest: float, limits: Limits) -> bool:
        """Whether what a charge was held at is the float that this bank is known to have: it went above it for a short
        time only. A lower voltage beside it would be the float."""
        shifts = [float(row[1]) for row in self.floats if row[1] is not None]
        if highest <= held.at_reference + _BRIEF or len(shifts) < _JUDGED:
            return False
        if float_level is not None and held.at_reference - float_level.at_reference > _SAME:
            return False
        return abs(held.at_reference - limits["float_volts_per_cell"] - median(shifts)) <= _SAME

    def _forget_before_step(self) -> None:
        """A charger that was set anew begins a new slope: three charges in a row far off those before, or off the line
        that those before lie on."""
        rows = [(float(row[0]), float(row[1])) for row in self.against if row[0] is not None and row[1] is not None]
        before, last = rows[:-_JUDGED], rows[-_JUDGED:]
        if len(before) < _JUDGED:
            return
        level = median([volts for volts, _ in before[-_STEADY:]])
        off, far = [volts - level for volts, _ in last], _STEP
        if max(off) >= -_STEP and min(off) <= _STEP and len(before) >= _LEAST_POINTS:
            slope, _, scatter = slope_with_band([celsius for _, celsius in before], [volts for volts, _ in before])
            line = median([volts - slope * celsius for volts, celsius in before])
            off = [volts - slope * celsius - line for volts, celsius in last]
            far = max(_OFF_LINE, _OFF_SCATTER * scatter)
        if min(off) > far or max(off) < -far:
            self.against = self.against[-_JUDGED:]

    def judge(self, teller: Teller, moment: Moment) -> list[Finding]:
        """Findings that are news after a charge."""
        found = teller.news(self._set_points(moment.limits), moment, _MINOR_VOLTS)
        found.extend(teller.news(self._compensation(moment.limits), moment, _MINOR_SLOPE))
        return found

    def _set_points(self, limits: Limits) -> Said:
        parts = [("absorption", self.absorption), ("float", self.floats)]
        known = [part for part in parts if len(part[1]) >= _JUDGED]
        judged = [self._one(word, rows, limits) for word, rows in known]
        self.said |= {word: said.verdict for (word, _), said in zip(known, judged, strict=True)}
        if not judged:
            return cannot_tell(SET_POINTS.name, f"Fewer than {_JUDGED} charges were held at a voltage.")
        judged.sort(key=lambda said: ("low", "high", "cannot_tell", "may_be_right", "right").index(said.verdict))
        told = judged[0]
        if len(judged) == 1:
            return told
        reason = " ".join(said.reason for said in judged)
        numbers = {**judged[1].numbers, **told.numbers}
        return Said(told.name, told.verdict, reason, told.grade, told.value, told.half_width, numbers=numbers)

    def _one(self, word: str, rows: Sequence[Sequence[float | None]], limits: Limits) -> Said:
        known = [
            (float(row[0]), float(row[1]), row[2], row[3]) for row in rows if row[0] is not None and row[1] is not None
        ]
        if len(known) < _JUDGED:
            return cannot_tell(SET_POINTS.name, f"The temperature of the blocks is not read ({word}).")
        outside, shift = median([row[0] for row in known]), median([row[1] for row in known])
        error = volts_error(self.ground, limits, limits["absorption_volts_per_cell"])
        tolerance = limits["set_point_tolerance"]
        reach = max((row[3] or 0.0) for row in known)
        half = error + max(abs(shift - outside), reach * abs(limits["temperature_slope_high"]))
        numbers = {f"{word}_shift": shift}
        warmth = "the blocks"
        if reach:
            colder, warmer = (abs(one) for one in _BESIDE_AIR)
            warmth = f"the blocks, taken as {colder:.0f} K below to {warmer:.0f} K above the air's where that is all"
            warmth += " that is read"
        reason = (
            f"{word.capitalize()}: {1000 * shift:+.0f} mV per cell against the preset at the temperature of {warmth} "
            f"(median of {len(known)} charges; the meter can be wrong by {1000 * error:.0f} mV)."
        )
        verdict = "low" if outside < 0 else "high"
        if verdict == self.said.get(word) and abs(outside) > max(tolerance - error, tolerance / 2.0):
            # What was told stands until the voltage is clearly right: one that lies at the limit would come and go.
            return Said(SET_POINTS.name, verdict, reason, value=shift, half_width=half, numbers=numbers)
        if abs(outside) <= tolerance + error:
            right = "may_be_right" if reach else "right"
            return Said(SET_POINTS.name, right, reason, value=shift, half_width=half, numbers=numbers)
        # All recent charges must say so: a single odd one, as of an equalizing charge, is no setting.
        agree = [row for row in known[-_JUDGED:] if row[0] * outside > 0 and abs(row[0]) > tolerance + error]
        if len(agree) < _JUDGED or not _comes_back(known[-_JUDGED:], limits):
            return cannot_tell(SET_POINTS.name, f"The last charges do not agree. {reason}")
        return Said(SET_POINTS.name, verdict, reason, value=shift, half_width=half, numbers=numbers)

    def _compensation(self, limits: Limits) -> Said:
        known = [row for row in self.against if row[0] is not None and row[1] is not None]
        celsius = [float(row[1]) for row in known if row[1] is not None]
        volts = [1000 * float(row[0]) for row in known if row[0] is not None]
        span = max(celsius) - min(celsius) if celsius else 0.0
        least = limits["compensation_kelvin_least"]
        enough = len(known) >= _LEAST_POINTS and span >= least / 2
        slope, half, scatter = slope_with_band(celsius, volts) if enough else (0.0, 0.0, 0.0)
        if not enough or (span < least and scatter > _FINE_SCATTER):
            return cannot_tell(
                COMPENSATION.name,
                f"{len(known)} charges at block temperatures over {span:.0f} K; {_LEAST_POINTS} charges over "
                f"{least:.0f} K are needed, or over {least / 2:.0f} K where the voltage is steady to a millivolt.",
            )
        strong, weak = 1000 * limits["temperature_slope_high"], 1000 * limits["temperature_slope_low"]
        verdict = _slope_verdict(slope, half, strong, weak)
        ambient = [float(row[2]) for row in known if row[2] is not None]
        numbers: dict[str, float | None] = {"kelvin": span, "charges": float(len(known))}
        if len(ambient) == len(known) and verdict != "as_preset" and max(ambient) - min(ambient) >= 1:
            by_air, half_air, scatter_air = slope_with_band(ambient, volts)
            numbers["by_ambient"] = by_air
            clearer = max(scatter_air, _LEAST_SCATTER * 1000) < _CLEARER * scatter
            if clearer and _slope_verdict(by_air, half_air, strong, weak) == "as_preset":
                verdict = "follows_ambient"
        if verdict in ("none", "too_strong") and scatter > _CLEAR_SCATTER:
            verdict = ""
        reason = f"Slope over {len(known)} charges at block temperatures over {span:.0f} K."
        if not verdict:
            return cannot_tell(COMPENSATION.name, f"{reason} The slope is not clear.")
        return Said(COMPENSATION.name, verdict, reason, value=slope, half_width=half, numbers=numbers)

    def to_plain(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in ("absorption", "floats", "against", "levels", "said")}

    def load_plain(self, plain: Mapping[str, Any]) -> None:
        for name, rows in plain.items():
            setattr(self, name, rows)


def _kept(rows: list[list[float | None]], held: Held, preset: float, limits: Limits) -> list[list[float | None]]:
    """The rows with one more: how far it is outside of what the sources of the slope allow, and off the preset."""
    celsius, reach = held.celsius, 0.0
    if celsius is None and held.ambient is not None:
        colder, warmer = _BESIDE_AIR
        celsius, reach = held.ambient + (colder + warmer) / 2, (warmer - colder) / 2
    if celsius is None or celsius > limits["celsius_no_charge"]:
        # Nobody compensates for such heat: what the charger should hold then is not known.
        unknown: list[float | None] = [None, None, None, 0.0]
        return [*rows, unknown][-_RECENT:]
    warmths = [celsius + side * reach - limits["reference_celsius"] for side in (-1.0, 1.0)]
    slopes = ("temperature_slope_low", "temperature_slope_high")
    allowed = [preset + limits[slope] * warmth for slope in slopes for warmth in warmths]
    outside = held.volts - min(max(held.volts, min(allowed)), max(allowed))
    shift = held.volts - preset - limits["temperature_slope"] * (celsius - limits["reference_celsius"])
    row: list[float | None] = [outside, shift, celsius, reach]
    return [*rows, row][-_RECENT:]


def _comes_back(rows: Sequence[tuple[float, float, float | None, float | None]], limits: Limits) -> bool:
    """Whether the voltages of these charges are one setting, with the compensation of the preset or with none."""
    slope = limits["temperature_slope"]
    shifts = [row[1] for row in rows]
    read = [row[1] + slope * (row[2] or 0.0) for row in rows]
    return min(max(shifts) - min(shifts), max(read) - min(read)) <= _SAME


def _slope_verdict(slope: float, half: float, strong: float, weak: float) -> str:
    """All in mV per cell and K; strong < weak < 0. Empty where the band leaves it open."""
    if strong - half <= slope <= weak + half and half < abs(weak) / 2:
        return "as_preset"
    if slope - half > weak / 2:
        return "none"
    if slope + half < 1.5 * strong:
        return "too_strong"
    return ""
