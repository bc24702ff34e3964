"""One cart of a golf fleet: two rounds on open days, charged from dusk until it switches itself off."""

from __future__ import annotations

from bisect import bisect_right
from functools import lru_cache

import numpy as np

from simulators.bank_state import BankState, Demand
from simulators.charger import Charger, ChargerProfile, Stage
from simulators.weather import SECONDS_PER_DAY, Climate, weather

CLIMATE = Climate(38.0, 0.0, 17.0, 8.0, 6.0, 0.3)
_DUSK_HOUR = 19.0


class GolfCart:
    """Demand of one cart. Seconds are local ones since 1970-01-01 (a Thursday)."""

    def __init__(self, cells_in_series: int, rated_amp_hours: float, seed: int) -> None:
        self._cells = cells_in_series
        self._seed = seed
        profile = ChargerProfile(
            0.12 * rated_amp_hours,
            2.45,
            2.25,
            0.005,
            absorption_hours=3.0,
            tail_amps=0.02 * rated_amp_hours,
            floats=False,
        )
        self.charger = Charger(profile, cells_in_series)
        self.chargers = (self.charger,)
        self._charged_day = -1

    def demand(self, seconds: float, step: float, state: BankState) -> Demand:
        """What the cart asks for during `step` seconds from `seconds` on."""
        whole_day, second = divmod(seconds, SECONDS_PER_DAY)
        day = int(whole_day)
        # One place has one weather: its seed is the fleet's, not the cart's.
        ambient = weather(CLIMATE, self._seed // 100, day).celsius[int(second // 60)]
        changes, amps = _rounds(self._seed, day)
        driving = amps[bisect_right(changes, second) - 1]
        if driving > 0.0 and state.volts > 1.70 * self._cells:
            self.charger.stop()
            return Demand(load_amps=driving, ambient_celsius=ambient)
        if second >= _DUSK_HOUR * 3600 and self._charged_day != day and len(changes) > 1:
            self._charged_day = day
            self.charger.start()
        if self.charger.stage is Stage.OFF:
            # The controller and the dash take a little all day long.
            return Demand(load_amps=0.05, ambient_celsius=ambient)
        source_amps, set_volts = self.charger.offer(step, state)
        return Demand(0.05, source_amps, set_volts, ambient)


@lru_cache(maxsize=64)
def _rounds(seed: int, day: int) -> tuple[list[float], list[float]]:
    """Instants at which the current changes, and the amperes from there on. Mondays are closed."""
    changes, amps = [0.0], [0.0]
    if (day + 3) % 7 == 0:
        return changes, amps
    rng = np.random.default_rng([seed, 7, day])
    for hour in (8.0, 13.5):
        if rng.random() < 0.15:
            continue
        instant = hour * 3600 + float(rng.uniform(0, 2400))
        for _hole in range(18):
            for _stop in range(4):
                driven = float(rng.uniform(20, 45))
                changes += [instant, instant + driven]
                amps += [float(rng.uniform(25, 75)), 0.0]
                instant += driven + float(rng.uniform(40, 110))
    return changes, amps
