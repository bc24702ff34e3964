"""What truly happened since a fault began, as the bounds on its alarm count it: rests, discharges, a runaway."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from simulators.judging import chemistry as laws
from simulators.judging.chemistry import Flags, Floats
from simulators.judging.judge import INTERVAL_MS
from simulators.judging.site import DayRecord, Sites

REST_AMPS, REST_MINUTES = 0.02, 60
"""A rest: so little current, as a share of the rated amp-hours, for so long; common practice, no source."""
DISCHARGE_SHARE, RETURN_SHARE = 0.10, 0.05
"""A discharge: so much of the rated amp-hours taken, and then so much of it charged; common practice, no source."""
RISEN, HELD_VOLTS, HELD_MINUTES, OVER_AIR = 0.10, 0.005, 10, 10.0
"""A runaway shows when a block is so many kelvin above the air (a maker's limit for sealed blocks) and the current has
risen by this share above its lowest while the voltage was held for so long within so many volts per cell (own choice:
under passing clouds two minutes on end are alike by chance)."""
_GAS_CONSTANT, _KELVIN, _THERMONEUTRAL_VOLTS = 8.314, 273.15, 1.48


@dataclass
class BankTruth:
    """Instants (ms on the axis) of one bank, day by day."""

    rated_amp_hours: float
    rests_ms: list[int] = field(default_factory=list)
    """When each rest had lasted long enough to be one."""
    discharges_ms: list[int] = field(default_factory=list)
    """When each discharge was over."""
    runaway_ms: int | None = None
    """When heat first fed itself, and it showed; see `runaway_minutes`."""
    _still: int = 0
    _taken: float = 0.0
    _deepest: float = 0.0

    def take(self, amps: Floats, runaway: Flags, start_ms: int) -> None:
        """Take in a day, minute by minute, that begins at an instant. `runaway`: see `runaway_minutes`."""
        times = start_ms + INTERVAL_MS * np.arange(1, len(amps) + 1)
        for at_ms, value in zip(times.tolist(), amps.tolist(), strict=True):
            self._count(at_ms, value)
        if self.runaway_ms is None and runaway.any():
            self.runaway_ms = int(times[int(runaway.argmax())])

    def _count(self, at_ms: int, amps: float) -> None:
        self._still = self._still + 1 if abs(amps) < REST_AMPS * self.rated_amp_hours else 0
        if self._still == REST_MINUTES:
            self.rests_ms.append(at_ms)
        self._taken = max(self._taken - amps / 60.0, 0.0)
        self._deepest = max(self._deepest, self._taken)
        if self._deepest - self._taken >= RETURN_SHARE * self.rated_amp_hours:
            if self._deepest >= DISCHARGE_SHARE * self.rated_amp_hours:
                self.discharges_ms.append(at_ms)
            self._deepest = self._taken = 0.0


def runaway_minutes(record: DayRecord, bank: int, sites: Sites) -> Flags:
    """Minutes of the day in which the heat feeds itself by `heat_gain`, and it shows in current and temperature."""
    amps = record.string_amps[:, bank].sum(axis=1)
    volts = record.volts[:, bank] / sites.layout.cells_in_series
    over = record.celsius[:, bank].max(axis=(1, 2)) - record.ambient_celsius[:, bank]
    shows = np.zeros(len(amps), dtype=bool)
    first = lowest = 0
    for minute in range(len(amps)):
        if amps[minute] <= 0.0 or abs(volts[minute] - volts[first]) > HELD_VOLTS:
            first = lowest = minute
        if amps[minute] < amps[lowest]:
            lowest = minute
        risen = amps[minute] >= (1.0 + RISEN) * amps[lowest] > 0.0
        held = minute - first >= HELD_MINUTES
        shows[minute] = held and risen and over[minute] > max(OVER_AIR, over[lowest])
    found: Flags = shows & (heat_gain(record, bank, sites) >= 1.0)
    return found


def heat_gain(record: DayRecord, bank: int, sites: Sites) -> Floats:
    """K/K of the worst block, minute by minute: how much hotter it would get by its side reactions for each kelvin
    that it is hotter. From 1 on heat feeds itself as long as the voltage is held: Semenov's criterion, from memory."""
    cells, kind = sites.cells, sites.layout.chemistry
    draw, state = cells.draw, cells.condition
    volts = record.block_volts[:, bank] / state.cells[bank]
    celsius = record.celsius[:, bank]
    rate = kind.gas_milliamps * 1e-5 * sites.layout.string_amp_hours * draw.gas[bank] * state.gas[bank]
    above = draw.gas_per_volt[bank] * (volts - laws.GAS_REFERENCE_VOLTS)
    amps = rate * laws.arrhenius(celsius, float(draw.gas_joules[bank])) * np.exp(above)
    watts = amps * (volts - _THERMONEUTRAL_VOLTS * (1.0 - kind.recombined)) * state.cells[bank]
    resistance = draw.kelvin_per_watt[bank] * draw.warmth_share[bank] * state.heat_path[bank]
    gain = watts * resistance * draw.gas_joules[bank] / (_GAS_CONSTANT * (celsius + _KELVIN) ** 2)
    worst: Floats = gain.max(axis=(1, 2))
    return worst
