"""One frame as a charge sees it: per cell, at the temperature of the blocks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import isnan

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.frames import Frame

Limits = Mapping[str, float]


@dataclass
class Reading:
    """Current [A], charge positive; volts per cell as read, and as they would be at the reference temperature if the
    charger compensates as the preset says. `lowest`: the lowest single reading, per cell. `celsius` and `ambient`
    None where not read. `width`: between the highest and the lowest reading of the current [A]. `by_air`: `celsius` is
    the air's, since no block's is read.
    """

    end_ms: int
    amps: float
    volts: float
    at_reference: float
    lowest: float
    celsius: float | None
    ambient: float | None
    width: float = 0.0
    by_air: bool = False

    @property
    def block_celsius(self) -> float | None:
        """None where it is the air's: while they are charged blocks are many kelvin warmer than a cold night."""
        return None if self.by_air else self.celsius


def reading_of(frame: Frame, cells: int, limits: Limits) -> Reading | None:
    """The frame's reading; None where current or voltage is missing."""
    amps, volts = frame.amps, frame.volts / cells
    if isnan(amps) or isnan(volts):
        return None
    celsius = frame.celsius
    shift = 0.0 if isnan(celsius) else limits["temperature_slope"] * (celsius - limits["reference_celsius"])
    lowest, ambient = frame.low_list[1] / cells, frame.mean_list[2]
    return Reading(
        frame.end_ms,
        amps,
        volts,
        volts - shift,
        volts if isnan(lowest) else lowest,
        None if isnan(celsius) else celsius,
        None if isnan(ambient) else ambient,
        frame.high_list[0] - frame.low_list[0],
        frame.by_air,
    )


def reading_at(moment: Moment, cells: int) -> Reading | None:
    """The reading of the moment's frame; of all topics that ask, the first one has it made. Nobody changes it."""
    if not moment.reading:
        moment.reading.append(reading_of(moment.frame, cells, moment.limits))
    return moment.reading[0]


def offset_amps(ground: Ground, limits: Limits) -> float:
    """What the current can be wrong by at zero [A]: as stated, else assumed."""
    stated = ground.accuracy.get("amps")
    if stated is not None and stated.offset is not None:
        return stated.offset
    return limits["amps_offset_assumed_fraction"] * ground.bank.rated_amp_hours


def volts_error(ground: Ground, limits: Limits, volts_per_cell: float) -> float:
    """What the bank's voltage can be wrong by [V per cell]: gain and offset as stated, else assumed."""
    stated = ground.accuracy.get("volts")
    gain = stated.gain if stated is not None and stated.gain is not None else limits["volts_gain_assumed_fraction"]
    offset = stated.offset if stated is not None and stated.offset is not None else 0.0
    return float(gain * volts_per_cell + offset / ground.bank.cells_in_series)
