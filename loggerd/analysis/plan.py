"""What the fold of one bank has to know before the first reading: the bank, its series, thresholds and rules."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from loggerd.analysis.entered_log import EnteredLog
from loggerd.analysis.limit_table import NO_LIMITS, LimitTable
from loggerd.model.bank import Bank, Series, SeriesScale

RULES_VERSION = 8
"""Raised when the same readings would give other figures; stored with every result."""

UNSTATED_GAIN = 0.01
"""Gain error taken where none is stated; of the size of a class 1 instrument (common practice, no source)."""
UNSTATED_VOLTS_GAIN = 0.005


@dataclass(frozen=True)
class Rules:
    """Rules of segmentation and cycles; durations in milliseconds, shares as fractions.

    dwell_ms: the shortest run of charge, rest or discharge kept as a phase of its own.
    minimum_swing: share of the rated amp-hours that a discharge and its charge must each move to make a cycle.
    depth_gate: share of the rated amp-hours below which a reversal is not counted in the depth bands.
    full_tail: share of the rated amp-hours, as amps, below which a charge may have ended full (provisional).
    full_volts_per_cell: voltage that it must have held then.
    """

    dwell_ms: int = 120_000
    minimum_swing: float = 0.04
    depth_gate: float = 0.01
    full_tail: float = 0.02
    full_volts_per_cell: float = 2.33


@dataclass(frozen=True)
class Thresholds:
    """Current above which a bank is charging or discharging, and what the current sensor can be wrong by.

    All in milliamps; `gain` is a fraction. A run begins beyond `high` and ends inside `low` (hysteresis).
    `count_step` is one step of the instrument's own amp-hour counter [Ah], 0 without one. `because` says in words
    what set the thresholds.
    """

    high: int
    low: int
    offset: float
    gain: float
    noise: float
    because: str
    count_step: float = 0.0


@dataclass(frozen=True)
class BankPlan:
    """Everything that decides what the fold makes of the readings of one bank.

    `series` maps the ids used in ScanBlock.series to their series. Without limits no findings are made. `log`: the
    log book of the bank, to which entries are added as they are taken in.
    """

    bank: Bank
    series: Mapping[int, Series]
    rules: Rules = field(default_factory=Rules)
    limits: LimitTable = NO_LIMITS
    log: EnteredLog = field(default_factory=EnteredLog)


def thresholds(bank: Bank, scale: SeriesScale) -> Thresholds:
    """Thresholds of charge and discharge from the current sensor's zero noise and the bound of its offset.

    A small steady current is called a discharge only if it is larger than what the sensor can show at zero.
    Where no offset is stated, 1/1000 of the rated amp-hours (as amps) is taken, or 1/1000 of the stated range if that
    is larger (own choice). 4.5 standard deviations of noise are crossed by chance in 3 of a million readings.
    """
    accuracy = scale.accuracy
    if accuracy.offset is not None:
        offset, word = accuracy.offset, "stated offset"
    else:
        offset, word = max(bank.rated_amp_hours, accuracy.range or 0.0) / 1000, "offset not stated"
    noise = accuracy.noise or 0.0
    candidates = {
        f"{word}, {offset:g} A": 1.2 * offset,
        f"noise of {noise:g} A": 4.5 * noise,
        f"steps of {accuracy.resolution:g} A": 2.0 * accuracy.resolution,
    }
    because, high_amps = max(candidates.items(), key=lambda item: item[1])
    high = max(2, round(high_amps * 1000))
    return Thresholds(
        high=high,
        low=round(0.6 * high),
        offset=offset * 1000,
        gain=UNSTATED_GAIN if accuracy.gain is None else accuracy.gain,
        noise=noise * 1000,
        because=because,
    )
