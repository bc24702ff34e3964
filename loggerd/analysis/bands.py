"""Bands of amp-hours and watt-hours: what the sensors, the sampling and the gaps leave open.

half width^2 = (gain x Q)^2 + (offset x T)^2 + (2 u_sampling)^2, with gain and offset as stated limits of error (taken
as 95 %, first-order propagation; JCGM 100:2008, 5.1), plus, linearly, what gaps and loads that switch faster than
the readings may hide. The sampling error of a load that jumps at random instants is (dI dt)^2 / 12 per jump (uniform
distribution, JCGM 100:2008, 4.3.7); readings that follow each other independently, which is what a load faster than the
readings looks like, are six times as uncertain. The factor between the two is our own and calibrated by simulation.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

from loggerd.analysis.plan import Thresholds
from loggerd.analysis.stretch import CHARGE2_PER_AMP_HOUR, VARIATION_SHIFT, Stretch

_LEAST_REPEATS = 8
"""Short runs of one label before their regularity means anything."""
_LONGEST_TURN = 8.0
"""Readings in one turn up to which load and readings are taken to be in step."""
_ALIAS_READINGS = 12
"""Load states that last fewer readings than this may be an image of a load that switches between readings."""


@dataclass(frozen=True)
class Charge:
    """Amp-hours (or watt-hours) with what makes up their doubt; signed, charge positive.

    value: as counted. span_hours: hours over which a constant offset adds up. random: 95 % half width of what is
    independent from stretch to stretch. below, above: what gaps may add or take, at most.
    """

    value: float
    span_hours: float
    random: float
    below: float
    above: float

    def plus(self, other: Charge) -> Charge:
        return Charge(
            self.value + other.value,
            self.span_hours + other.span_hours,
            sqrt(self.random**2 + other.random**2),
            self.below + other.below,
            self.above + other.above,
        )

    def band(self, gain: float, offset: float) -> tuple[float, float]:
        """Low and high of `value`, with a gain error (fraction) and an offset error (per hour of span)."""
        half = sqrt((gain * self.value) ** 2 + (offset * self.span_hours) ** 2 + self.random**2)
        return self.value - half - self.below, self.value + half + self.above


NOTHING = Charge(0.0, 0.0, 0.0, 0.0, 0.0)


def amp_hours(stretch: Stretch, limits: Thresholds) -> Charge:
    """Net amp-hours of a stretch, charge positive."""
    return _amp_hours(stretch, limits, stretch.charge2, stretch.time2)


def outward(stretch: Stretch, limits: Thresholds) -> Charge:
    """Amp-hours of the runs of discharge in a stretch (negative)."""
    return _amp_hours(stretch, limits, stretch.out2, stretch.out_time2) if stretch.out2 else NOTHING


def inward(stretch: Stretch, limits: Thresholds) -> Charge:
    """Amp-hours of the runs of charge in a stretch."""
    return _amp_hours(stretch, limits, stretch.in2, stretch.in_time2) if stretch.in2 else NOTHING


def _amp_hours(stretch: Stretch, limits: Thresholds, charge2: int, time2: int) -> Charge:
    amps = stretch.spreads.get("amps")
    low, high = (amps.low / 1000, amps.high / 1000) if amps else (0.0, 0.0)
    filled, lost = stretch.filled_ms / 3_600_000, stretch.lost_ms / 3_600_000
    mean = charge2 / time2 / 1000 if time2 else 0.0
    counted = min(1.0, stretch.counted2 / stretch.time2) if stretch.time2 else 0.0
    # An offset and the noise act on what was not counted too: without that, a gap would narrow the band.
    hours = stretch.time2 / 7_200_000 + lost
    noise = (1.0 - counted) * limits.noise / 1000 * hours / sqrt(max(stretch.readings, 1))
    steps = 2 * limits.count_step if counted else 0.0
    return Charge(
        value=charge2 / CHARGE2_PER_AMP_HOUR,
        span_hours=time2 / 7_200_000 + lost,
        random=sqrt((2 * noise) ** 2 + steps**2 + _sampling(stretch) ** 2 + _edges(stretch) ** 2),
        below=filled * max(0.0, mean - low) + lost * max(0.0, -low),
        above=filled * max(0.0, high - mean) + lost * max(0.0, high),
    )


def _edges(stretch: Stretch) -> float:
    """Charge that may lie on the other side of the switches at both ends [Ah]; the readings cannot tell."""
    return sqrt(stretch.first_jump**2 + stretch.last_jump**2) / 3.6e9


def _sampling(stretch: Stretch) -> float:
    """95 % half width [Ah] of the error of sampling a load that changes between the readings.

    Jumps seen now and then leave each jump's own instant open. Where states last only a few readings, the load may
    in truth be faster than the readings (an image of it is what is seen), and the error can follow the image's period.
    Where they all last the same few readings, load and readings are in step, and nothing averages out.
    """
    if (in_step := _in_step(stretch)) is not None:
        return in_step
    unit = float(1 << VARIATION_SHIFT) / 3.6e9  # one squared unit's root, in Ah
    states = stretch.steps
    if not states:
        return 2 * sqrt(stretch.variation / 12) * unit
    readings_per_state = stretch.readings / states
    if readings_per_state >= _ALIAS_READINGS:
        return 2 * sqrt(stretch.variation / 12) * unit
    independent = 2 * sqrt(stretch.variation / 2) * unit
    jump = stretch.step_total / states / 1000
    period_hours = 2 * stretch.time2 / 7_200_000 / states
    return sqrt(independent**2 + (jump * period_hours / 4) ** 2)


def _in_step(stretch: Stretch) -> float | None:
    """Half width [Ah] where a load switches in step with the readings, None where it does not.

    If every state of a load is seen for the same number of readings, m readings make one turn of load and readings
    against each other, and only m moments of the load's own cycle are ever seen: its share of on-time is known to one
    part in m, however long it goes on.
    """
    regular = [
        (count, readings)
        for count, readings, squares in stretch.short_runs.values()
        if count >= _LEAST_REPEATS and count * squares - readings**2 <= 0.02 * readings**2
    ]
    if len(regular) < 2 or not stretch.steps:
        return None
    turn = sum(readings / count for count, readings in regular)
    if turn > _LONGEST_TURN:
        return None
    share = sum(readings for _, readings in regular) / max(stretch.readings, 1)
    hours = share * stretch.time2 / 7_200_000
    return stretch.step_total / stretch.steps / 1000 * hours / turn


def watt_hours(stretch: Stretch, charge: Charge, energy2: int) -> Charge:
    """Watt-hours of a stretch; the doubt of its charge is carried over at the stretch's mean voltage."""
    volts = _mean_volts(stretch)
    missing = stretch.unpowered2 / stretch.time2 if stretch.time2 else 0.0
    hidden = abs(charge.value * volts) * missing
    return Charge(
        value=energy2 / CHARGE2_PER_AMP_HOUR,
        span_hours=charge.span_hours * volts,
        random=charge.random * volts,
        below=charge.below * volts + hidden,
        above=charge.above * volts + hidden,
    )


def _mean_volts(stretch: Stretch) -> float:
    volts = stretch.spreads.get("volts")
    return volts.total / volts.count / 1000 if volts else 0.0
