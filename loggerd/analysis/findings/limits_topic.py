"""Plain limits on the bank's voltage: too low with the load's sag put back, and too high."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.drawn_up import figures, tell
from loggerd.analysis.findings.events import Capacity
from loggerd.analysis.findings.limits_count import DrawnByCount
from loggerd.analysis.findings.limits_deep import forget, note_empty, tell_deep
from loggerd.analysis.findings.limits_left import FALL_FRAMES, Left, by_count, by_fall, lesser
from loggerd.analysis.findings.limits_specs import HIGH, LOW, SPECS
from loggerd.analysis.findings.resistance_steps import Estimate, robust_ohms, usual_ohm_amp_hours
from loggerd.analysis.frames import FRAME_MS, Frame, Step
from loggerd.model.finding import Finding, Grade
from loggerd.model.ledger import Figure

__all__ = ["SPECS", "LimitsWatch"]
_STEPS, _MOST_WAITING = 15, 24
"""Load steps that the resistance is taken from, the latest."""
_LEAST_STEPS = 5
_LEAST_STEP_FRACTION = 0.02
"""Steps smaller than this share of the rated amp-hours per hour are too near the noise."""
_LEAST_COVER = 0.5
"""Share of a frame that readings must cover."""
_UNKNOWN_HALF_WIDTH = 0.9
"""Of a resistance that no step has told."""
_HELD_FRAMES = 2


@dataclass
class _State:
    """`steps`: pairs of A and Ω. `capacity`: its parts.

    `draws`: those to empty, each with its start, its end [ms], its lowest voltage per cell and the half width of that.
    """

    steps: list[list[float]] = field(default_factory=list)
    low: str = ""
    high: str = ""
    low_frames: int = 0
    high_frames: int = 0
    since_ms: int = 0
    capacity: list[Any] | None = None
    draws: list[list[float]] = field(default_factory=list)


@dataclass
class _Ohms:
    """The bank's resistance by load steps, pairs of A and Ω; where these are too few, the `usual` one.

    Worked out when it is first asked for: nearly every frame under load brings steps, and hardly one asks.
    """

    steps: list[list[float]]
    usual: float = math.nan

    @property
    def known(self) -> bool:
        return len(self.steps) >= _LEAST_STEPS

    @cached_property
    def _found(self) -> Estimate:
        if not self.known:
            return Estimate(self.usual, _UNKNOWN_HALF_WIDTH, len(self.steps))
        return robust_ohms(np.array([one[0] for one in self.steps]), np.array([one[1] for one in self.steps]))

    @property
    def ohms(self) -> float:
        return self._found.ohms

    @property
    def half_width(self) -> float:
        """95 %, as a fraction."""
        return min(self._found.half_width, _UNKNOWN_HALF_WIDTH)

    @cached_property
    def bounds(self) -> tuple[float, float]:
        """It lies between these, being a mean or the median of steps; with room for the rounding."""
        if not self.known:
            return self.usual, self.usual
        ohms = [one[1] for one in self.steps]
        return (1 - 1e-9) * min(ohms), (1 + 1e-9) * max(ohms)


class LimitsWatch:
    """Looks at the mean of each frame and asks for two in a row, so that no short dip or surge is told."""

    def __init__(self, ground: Ground) -> None:
        self._bank, self._cells = ground.bank, ground.bank.cells_in_series
        self._least_step = _LEAST_STEP_FRACTION * ground.bank.rated_amp_hours
        accuracy = ground.accuracy.get("volts")
        self._offset = (accuracy.offset or 0.0) if accuracy else 0.0
        self._gain = accuracy.gain if accuracy else None
        self._ohms: _Ohms | None = None
        self._waiting: list[tuple[Step, ...]] = []
        """Steps of the latest frames: most of them are followed by newer ones before a resistance is asked for."""
        self._fall: list[tuple[float, float, _Ohms | None]] = []
        """Latest voltages per cell in one discharge, current, and the resistance that puts the sag back, if any."""
        self._drawn = DrawnByCount(ground)
        self.state = _State()

    def push(self, moment: Moment) -> list[Finding]:
        frame, state = moment.frame, self.state
        self._learn(moment)
        if frame.after_unknown or frame.missed:
            state.low_frames, state.high_frames, self._fall = 0, 0, []
        told = [tell_deep(frame, state.draws)] if state.draws and forget(state.draws, frame.end_ms) else []
        told += self._drawn.push(moment, self._capacity, self._without_load)
        volts, amps = frame.volts / self._cells, frame.amps
        if math.isnan(volts + amps) or frame.covered_ms < _LEAST_COVER * FRAME_MS:
            return told
        told += self._low(moment, volts, amps)
        told += self._high(moment, volts, amps)
        return told

    def _learn(self, moment: Moment) -> None:
        """The latest load steps, and the capacity that was last found."""
        state, frame = self.state, moment.frame
        # An empty bank's resistance is many times its usual one: put back, it would make the bank look full again.
        if frame.steps and state.low != "empty":
            self._waiting.append(frame.steps)
            if len(self._waiting) > _MOST_WAITING:
                self._take_steps()
        for event in moment.events:
            if isinstance(event, Capacity) and event.witness in ("tested", "observed"):
                state.capacity = list(asdict(event).values())

    def _take_steps(self) -> None:
        """Of the frames that wait the newest steps, as many as are kept."""
        least, per_string, taken = self._least_step, self._bank.blocks_per_string, list[list[float]]()
        newest = (step for steps in reversed(self._waiting) for step in reversed(steps))
        for step in newest:
            ohms = step.bank_ohms
            if not ohms > 0.0 or abs(step.amps) < least:
                continue
            # Blocks stand in for a bank that is not read as a whole: each has its string's share of the current.
            if math.isnan(step.volts.item(1)):
                ohms *= per_string
            taken.append([step.amps, ohms])
            if len(taken) == _STEPS:
                break
        self._waiting.clear()
        if taken:
            self._ohms = None
            self.state.steps = [*self.state.steps, *reversed(taken)][-_STEPS:]

    def _resistance(self, limits: Mapping[str, float]) -> _Ohms:
        """By steps; without enough of them the middle of what cells of this size can have."""
        if self._waiting:
            self._take_steps()
        if self._ohms is not None:
            return self._ohms
        steps = self.state.steps
        if len(steps) < _LEAST_STEPS:
            return _Ohms([], usual_ohm_amp_hours(limits) * self._cells / self._bank.rated_amp_hours)
        self._ohms = _Ohms(list(steps))
        return self._ohms

    def _capacity(self) -> Capacity | None:
        """The latest that a discharge has shown."""
        return None if self.state.capacity is None else Capacity(*self.state.capacity)

    def _without_load(self, moment: Moment) -> float:
        """Volts per cell with what the load takes away put back."""
        frame = moment.frame
        return (frame.volts - frame.amps * self._resistance(moment.limits).ohms) / self._cells

    # -- too low --

    def _low(self, moment: Moment, volts: float, amps: float) -> list[Finding]:
        state, limits, frame = self.state, moment.limits, moment.frame
        near = limits["low_volts_per_cell"] + limits["low_volts_margin"]
        if amps >= 0.0 and self._fall:
            self._fall = []
        if volts > near and state.low in ("", "normal"):
            state.low_frames = 0
            if amps < 0.0:
                self._note_fall(volts, amps, None)
            return []
        ohms = self._resistance(limits)
        if amps < 0.0:
            self._note_fall(volts, amps, ohms)
        # Nearly always the bounds of the resistance tell already that nothing changes.
        least, most = ohms.bounds
        seen = self._seen_low(volts - amps * least / self._cells, near, limits)
        other = self._seen_low(volts - amps * most / self._cells, near, limits)
        if state.low != "empty" and seen == other and seen in (None, state.low or "normal"):
            state.low_frames = 0
            return []
        without_load = volts - amps * ohms.ohms / self._cells
        seen = self._seen_low(without_load, near, limits)
        if state.low == "empty" and seen == "empty":
            note_empty(state.draws, frame.start_ms, frame.end_ms, without_load)
        if seen is None or seen == (state.low or "normal") or (seen == "low" and state.low == "empty"):
            state.low_frames = 0
            return []
        state.since_ms = state.since_ms if state.low_frames else frame.start_ms
        state.low_frames += 1
        if state.low_frames < _HELD_FRAMES:
            return []
        ended = state.low == "empty"
        state.low, state.low_frames = seen, 0
        told = [self._tell_low(moment, seen, without_load, ohms)]
        begun = seen == "empty" and note_empty(state.draws, state.since_ms, frame.end_ms, without_load)
        # Once more when it is over: only then is it known how deep it went.
        if begun or (ended and state.draws):
            sag = abs(amps) * ohms.ohms / self._cells
            state.draws[-1][3] = math.hypot(ohms.half_width * sag, self._meter_doubt(limits, volts))
            told.append(tell_deep(frame, state.draws))
        return told

    def _note_fall(self, volts: float, amps: float, ohms: _Ohms | None) -> None:
        self._fall.append((volts, amps, ohms))
        if len(self._fall) > FALL_FRAMES:
            del self._fall[0]

    @staticmethod
    def _seen_low(volts: float, near: float, limits: Mapping[str, float]) -> str | None:
        """None within the dead band, in which nothing changes."""
        if volts < limits["end_volts_per_cell"]:
            return "empty"
        if volts < limits["low_volts_per_cell"]:
            return "low"
        return "normal" if volts > near else None

    def _tell_low(self, moment: Moment, seen: str, volts: float, ohms: _Ohms) -> Finding:
        frame = moment.frame
        sag = abs(frame.amps) * ohms.ohms / self._cells
        half = math.hypot(ohms.half_width * sag, self._meter_doubt(moment.limits, volts))
        left = self._left(moment) if seen != "normal" else None
        by = f"{len(self.state.steps)} load steps" if ohms.known else "the usual resistance of this size"
        reason = (
            f"{frame.volts:.2f} V at {frame.amps:.1f} A is {volts:.3f} V per cell with {1000 * sag:.0f} mV put back, "
            f"by {by}"
        )
        if left is not None:
            reason += f"; about {left.hours:.1f} h left at this rate"
        return tell(
            frame,
            LOW.name,
            seen,
            reason,
            grade=Grade.OBSERVED if ohms.known else Grade.INFERRED,
            value=volts,
            band=(volts - half, volts + half),
            since_ms=self.state.since_ms,
            spans=((self.state.since_ms, frame.end_ms),),
            details=(*_hours(left), *figures(lowest_volts=_lowest(frame), lowest_amps=float(frame.lows[0]))),
        )

    def _left(self, moment: Moment) -> Left | None:
        drawn = -moment.frame.amps
        if drawn <= moment.limits["rest_leak_fraction"] * self._bank.rated_amp_hours:
            return None
        counted = by_count(drawn, moment.since_full, self._capacity(), self._bank.rated_amp_hours)
        return lesser(counted, by_fall(self._fallen(), moment.limits["end_volts_per_cell"]))

    def _fallen(self) -> list[float]:
        """Latest voltages per cell in one discharge; with the sag put back, where they were near the limit."""
        return [volts if ohms is None else volts - amps * ohms.ohms / self._cells for volts, amps, ohms in self._fall]

    # -- too high --

    def _high(self, moment: Moment, volts: float, amps: float) -> list[Finding]:
        state, frame, limits = self.state, moment.frame, moment.limits
        margin = limits["high_volts_margin"]
        if state.high != "high" and volts < limits["high_volts_per_cell"] - margin:
            # The limit is never lower than that, however warm it is.
            state.high_frames = 0
            return []
        limit = _highest(limits, frame.celsius)
        seen = "high" if volts > limit and amps >= 0.0 else "normal" if volts < limit - margin else None
        if seen is None or seen == (state.high or "normal"):
            state.high_frames = 0
            return []
        state.high_frames += 1
        if state.high_frames < _HELD_FRAMES:
            return []
        state.high, state.high_frames = seen, 0
        since_ms = frame.end_ms - _HELD_FRAMES * (frame.end_ms - frame.start_ms)
        half = self._meter_doubt(moment.limits, volts)
        reason = f"{frame.volts:.2f} V at {frame.amps:.1f} A; the limit is {limit:.3f} V per cell"
        return [
            tell(
                frame,
                HIGH.name,
                seen,
                reason,
                value=volts,
                band=(volts - half, volts + half),
                since_ms=since_ms,
                spans=((since_ms, frame.end_ms),),
            )
        ]

    def _meter_doubt(self, limits: Mapping[str, float], volts: float) -> float:
        gain = limits["volts_gain_assumed_fraction"] if self._gain is None else self._gain
        return gain * volts + self._offset / self._cells

    def to_plain(self) -> dict[str, Any]:
        self._take_steps()
        volts = asdict(self.state)
        volts = {"steps": volts.pop("steps"), "fall": self._fallen(), **volts}
        return {"volts": volts, "drawn": self._drawn.to_plain()}

    def load_plain(self, plain: dict[str, Any]) -> None:
        volts = dict(plain["volts"])
        self._fall = [(one, 0.0, None) for one in volts.pop("fall")]
        self.state, self._ohms, self._waiting = _State(**volts), None, []
        self._drawn.load_plain(plain["drawn"])


def _highest(limits: Mapping[str, float], celsius: float) -> float:
    """The highest voltage per cell that a charge may hold: more in the cold, as chargers compensate; never less."""
    warmth = 0.0 if math.isnan(celsius) else celsius - limits["reference_celsius"]
    return limits["high_volts_per_cell"] + max(0.0, limits["temperature_slope_high"] * warmth)


def _hours(left: Left | None) -> tuple[Figure, ...]:
    return () if left is None else (Figure("hours_left", left.hours, left.low, left.high),)


def _lowest(frame: Frame) -> float | None:
    """Lowest reading of the bank's voltage; None where only blocks are read."""
    return None if math.isnan(frame.lows[1]) else float(frame.lows[1])
