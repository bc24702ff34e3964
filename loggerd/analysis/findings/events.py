"""What topics tell later topics: settled facts, each at the frame that settled it.

Times are on the analysis axis [epoch ms]; voltages per cell in volts; charges in amp-hours; None where unknown.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeAlias


@dataclass
class SinceFull:
    """What has happened since the bank was last full; nobody changes one. `proven`: that it was full is proven, else
    only likely; `block_behind`: the charge is proven to have been a full one, but one block stood far below the others
    then.

    `out_amp_hours`, `in_amp_hours`: magnitudes of what went out and in since; `gap_ms`: time without readings in it;
    `at_ms`: end of the frame in which it was full.
    """

    at_ms: int
    proven: bool
    out_amp_hours: float
    in_amp_hours: float
    gap_ms: int
    block_behind: bool = False

    @property
    def net_out_amp_hours(self) -> float:
        return self.out_amp_hours - self.in_amp_hours


@dataclass(frozen=True)
class BecameFull:
    """The bank was found full, while its charge still ran. Told once for each charge, at the first proof."""

    at_ms: int
    proven: bool
    charge_start_ms: int
    volts_per_cell: float
    """Held at the end, as read."""
    tail_amps: float
    celsius: float | None
    set_point_shift_volts: float | None
    """Voltage held per cell less the preset's at this temperature."""
    settled: bool = True
    """Whether the current had stopped falling, so that it is what gas takes. Else TailSettled may follow."""


@dataclass(frozen=True)
class TailSettled:
    """The current of a charge that was proven full before has stopped falling: it is what gas takes now."""

    at_ms: int
    volts_per_cell: float
    tail_amps: float
    celsius: float | None


@dataclass(frozen=True)
class ChargeEnded:
    """A charge has ended. `verdict`: "full_proven", "full_likely", "ended_early" or "unknown".

    `in_amp_hours`: what it put in; `held_volts_per_cell`: highest mean of a quarter of an hour; `absorption_ms`: time
    within the margin of the held voltage; `tail_amps`: mean current of its last quarter of an hour at that voltage.
    `before_limit_amp_hours`: what it took before it reached the held voltage.
    """

    start_ms: int
    end_ms: int
    verdict: str
    in_amp_hours: float
    held_volts_per_cell: float | None
    absorption_ms: int
    tail_amps: float | None
    before_limit_amp_hours: float | None
    celsius: float | None


@dataclass(frozen=True)
class Swing:
    """Between two turning points of the bank's charge (gate: a few per cent of the rated amp-hours).

    `kind`: "discharge" or "charge"; `out_amp_hours`, `in_amp_hours` magnitudes within it; `gap_ms` time without
    readings; `from_full`: a discharge that began when the bank was full ("proven", "likely"), or "".
    """

    kind: str
    start_ms: int
    end_ms: int
    out_amp_hours: float
    in_amp_hours: float
    gap_ms: int
    from_full: str
    celsius: float | None


@dataclass(frozen=True)
class Rested:
    """A rest has been read: at its end, or when it was long enough to need no more.

    `volts_per_cell`: where the voltage comes to, at 25 °C, extrapolated where the rest was short, with its 95 % half
    width; `grade`: "A" (settled or nearly), "B" (hours), "C" (short). `leak_amps`: mean current during it, charge
    positive. `block_volts`: by block, as read at its end (None where not read), a block's volts not per cell.
    `after`: "charge" or "discharge", what came before it; `after_full`: that charge ended full ("proven", "likely"),
    or "". `state_of_charge` as a fraction with its 95 % half width.
    """

    start_ms: int
    at_ms: int
    hours: float
    volts_per_cell: float
    volts_half_width: float
    grade: str
    leak_amps: float
    celsius: float | None
    block_volts: tuple[float | None, ...]
    after: str
    after_full: str
    state_of_charge: float
    state_half_width: float


@dataclass(frozen=True)
class LightlyLoaded:
    """A discharge after a charge that was held has gone on for some per cent: mean volts per cell under its small
    currents, nearly those of a rest."""

    at_ms: int
    volts_per_cell: float


@dataclass(frozen=True)
class Resistance:
    """Resistance of a day, from its load steps, at the reference temperature.

    `bank_ohms`: of the whole bank; `block_ohms`: by block with its link (None where not read); `half_width`: 95 %, as
    a fraction; `steps`: how many; `interval_seconds`: time between the readings before and after a step;
    `depth`: mean depth of discharge it was measured at, as a fraction of the rated amp-hours since full, if known.
    """

    start_ms: int
    end_ms: int
    bank_ohms: float | None
    block_ohms: tuple[float | None, ...]
    half_width: float
    steps: int
    interval_seconds: float
    celsius: float | None
    depth: float | None


@dataclass(frozen=True)
class Capacity:
    """A capacity by one of its witnesses. `witness`: "tested", "observed", "inferred" or "acid_reserve".

    `amp_hours` at the rate and temperature of the rating, with its 95 % band; `raw_amp_hours` as moved.
    """

    at_ms: int
    witness: str
    amp_hours: float
    low: float
    high: float
    raw_amp_hours: float
    celsius: float | None
    hours_rate: float | None


@dataclass(frozen=True)
class BlocksCompared:
    """Spread of the blocks, once for each discharge from full: by block deviation from the median of its peers.

    All in volts per cell, None where not read: at the end of charge, early in the discharge, at its end, and at rest.
    """

    at_ms: int
    depth: float
    end_of_charge: tuple[float | None, ...]
    early: tuple[float | None, ...]
    end_of_discharge: tuple[float | None, ...]
    rest: tuple[float | None, ...]


@dataclass(frozen=True)
class SensorDoubt:
    """A sensor is found wrong: figures that rest on `channel` since `since_ms` are to be doubted."""

    at_ms: int
    channel: str
    what: str
    since_ms: int


@dataclass(frozen=True)
class DoubtEnded:
    """What a check had against `channel` no longer holds. `what` is the name of that check's finding."""

    at_ms: int
    channel: str
    what: str


Event: TypeAlias = (
    BecameFull
    | TailSettled
    | ChargeEnded
    | Swing
    | Rested
    | LightlyLoaded
    | Resistance
    | Capacity
    | BlocksCompared
    | SensorDoubt
    | DoubtEnded
)


def open_doubts(doubts: Sequence[str], events: Iterable[Event], channel: str) -> list[str]:
    """Names of the checks that doubt a channel after these events, given those before them: a doubt stands until the
    check that has it lets it go."""
    standing = list(doubts)
    for event in events:
        if isinstance(event, SensorDoubt | DoubtEnded) and event.channel == channel:
            what = event.what.split(" ")[0]
            standing = [one for one in standing if one != what]
            if isinstance(event, SensorDoubt):
                standing.append(what)
    return standing
