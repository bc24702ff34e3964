"""A forklift in two shifts: driving and lifting in bursts, breaks, a charge at the end, equalizing on Sundays."""

from __future__ import annotations

from bisect import bisect_right
from functools import lru_cache

import numpy as np

from simulators.bank_state import BankState, Demand
from simulators.charger import Charger, ChargerProfile, Stage
from simulators.weather import SECONDS_PER_DAY

_SHIFTS = ((6.0, 9.5), (10.0, 14.0), (14.5, 18.0), (18.5, 21.75))
"""Hours of driving; the truck stands in the breaks between them."""


class Forklift:
    """Demand of the truck. Seconds are local ones since 1970-01-01 (a Thursday)."""

    def __init__(self, cells_in_series: int, rated_amp_hours: float, seed: int) -> None:
        self._cells = cells_in_series
        self._rated = rated_amp_hours
        self._seed = seed
        profile = ChargerProfile(
            0.16 * rated_amp_hours,
            2.40,
            2.25,
            0.004,
            absorption_hours=2.5,
            finish_amps=0.035 * rated_amp_hours,
            finish_hours=1.5,
            floats=False,
        )
        self.charger = Charger(profile, cells_in_series)
        self.chargers = (self.charger,)
        self._charged_day = -1

    def demand(self, seconds: float, step: float, state: BankState) -> Demand:
        """What the truck asks for during `step` seconds from `seconds` on."""
        whole_day, second = divmod(seconds, SECONDS_PER_DAY)
        day = int(whole_day)
        driving = _amps(self._seed, day, second) * self._rated
        if driving > 0.0:
            self.charger.stop()
            # The lift locks when the bank is low; the truck creeps on.
            weak = state.volts < 1.80 * self._cells
            return Demand(load_amps=driving * (0.3 if weak else 1.0), ambient_celsius=20.0)
        standing = _standing_amps(day, second)
        if standing > 0.0:
            return Demand(load_amps=standing, ambient_celsius=20.0)
        self._plug_in(day, second)
        source_amps, set_volts = self.charger.offer(step, state)
        return Demand(0.0, source_amps, set_volts, 19.0)

    def _plug_in(self, day: int, second: float) -> None:
        due = second >= 22 * 3600 and _hours_worked(day) > 0.0
        equalizing = day % 7 == 3 and second >= 8 * 3600  # Sundays
        if (due or equalizing) and self._charged_day != day and self.charger.stage is Stage.OFF:
            self._charged_day = day
            self.charger.start()


def _hours_worked(day: int) -> float:
    """Hour at which the last shift of the day ends; 0 for a day off."""
    weekday = (day + 3) % 7
    if weekday == 6:
        return 0.0
    return 14.0 if weekday == 5 else 22.0


def _standing_amps(day: int, second: float) -> float:
    """Lights and electronics while the truck is switched on."""
    return 2.0 if 6 * 3600 <= second < _hours_worked(day) * 3600 else 0.0


@lru_cache(maxsize=8)
def _bursts(seed: int, day: int) -> tuple[list[float], list[float]]:
    """Instants at which the current changes, and the current from there on as a fraction of the rated amp-hours."""
    rng = np.random.default_rng([seed, 6, day])
    changes, amps = [0.0], [0.0]
    for begin, end in _SHIFTS:
        if end > _hours_worked(day):
            break
        count = int((end - begin) * 3600 / 25)
        on = rng.uniform(3, 60, count) * 0.6
        off = rng.exponential(45.0, count)
        starts = begin * 3600 + np.cumsum(on + off) - on
        lifting = rng.random(count) < 0.3
        height = np.where(lifting, rng.uniform(0.2, 0.4, count), rng.uniform(0.04, 0.13, count))
        for start, length, level in zip(starts.tolist(), on.tolist(), height.tolist(), strict=True):
            if start + length > end * 3600:
                break
            changes += [start, start + length]
            amps += [level, 0.0]
    return changes, amps


def _amps(seed: int, day: int, second: float) -> float:
    changes, amps = _bursts(seed, day)
    return amps[bisect_right(changes, second) - 1]
