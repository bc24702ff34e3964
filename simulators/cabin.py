"""An off-grid cabin: sun and weather, a fridge, evenings with lights, a generator when the bank is low."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from simulators.bank_state import BankState, Demand
from simulators.charger import Charger, ChargerProfile, Stage
from simulators.weather import SECONDS_PER_DAY, Climate, weather

CLIMATE = Climate(47.0, 55.0, 8.0, 9.0, 4.0, 0.8)


@dataclass(frozen=True)
class CabinLoads:
    """Watts at the bank's terminals."""

    standby: float = 10.0
    fridge: float = 85.0
    fridge_start: float = 420.0
    """Drawn for the first second of each run of the compressor."""
    panels: float = 1700.0
    generator_amps: float = 35.0


class Cabin:
    """Demand of the cabin. Seconds are local ones since 1970-01-01."""

    def __init__(self, cells_in_series: int, seed: int, loads: CabinLoads | None = None) -> None:
        self.loads = loads or CabinLoads()
        self._seed = seed
        self._cells = cells_in_series
        sun = ChargerProfile(60.0, 2.467, 2.25, 0.005, absorption_hours=3.0, tail_amps=3.0)
        generator = ChargerProfile(self.loads.generator_amps, 2.42, 2.2, 0.005, absorption_hours=0.75, floats=False)
        self.sun = Charger(sun, cells_in_series)
        self.generator = Charger(generator, cells_in_series)
        self.chargers = (self.sun, self.generator)
        self._low_seconds = 0.0
        self._disconnected = False

    def demand(self, seconds: float, step: float, state: BankState) -> Demand:
        """What the cabin asks for during `step` seconds from `seconds` on."""
        day, second = divmod(seconds, SECONDS_PER_DAY)
        today = weather(CLIMATE, self._seed, int(day))
        minute = int(second // 60)
        # The bank stands in an unheated shed that takes the edge off the air.
        ambient = 5.0 + 0.65 * today.celsius[minute]
        load_amps = self._load_watts(int(day), second) / max(state.volts, 30.0)
        load_amps = self._low_voltage_cut(load_amps, state)
        source_amps, set_volts = self._sun(step, today.sun[minute], state, load_amps)
        extra_amps, generator_volts = self._generate(second, step, state, load_amps)
        if extra_amps > 0.0:
            source_amps, set_volts = source_amps + extra_amps, max(set_volts if source_amps else 0.0, generator_volts)
        return Demand(load_amps, source_amps, set_volts, ambient)

    def _sun(self, step: float, sun: float, state: BankState, load_amps: float) -> tuple[float, float]:
        watts = sun * self.loads.panels
        if watts < 8.0:
            self.sun.stop()
            return 0.0, float("inf")
        if self.sun.stage is Stage.OFF:
            self.sun.start()
        limit, volts = self.sun.offer(step, state, load_amps)
        return min(limit, 0.95 * watts / max(state.volts, 30.0)), volts

    def _generate(self, second: float, step: float, state: BankState, load_amps: float) -> tuple[float, float]:
        """Somebody starts the generator in the afternoon or evening when the bank has been low for half an hour."""
        low = state.volts < 1.985 * self._cells and abs(state.amps) < 15.0
        self._low_seconds = self._low_seconds + step if low else 0.0
        if self.generator.stage is Stage.OFF and self._low_seconds > 1800 and 15 * 3600 < second < 21 * 3600:
            self.generator.start()
        if self.generator.stage is Stage.OFF:
            return 0.0, 0.0
        return self.generator.offer(step, state, load_amps)

    def _low_voltage_cut(self, load_amps: float, state: BankState) -> float:
        if state.volts < 1.88 * self._cells:
            self._disconnected = True
        elif state.volts > 2.06 * self._cells:
            self._disconnected = False
        return 0.1 if self._disconnected else load_amps

    def _load_watts(self, day: int, second: float) -> float:
        period, running, events = _habits(self._seed, day)
        watts = self.loads.standby
        into_run = second % period
        if into_run < running:
            watts += self.loads.fridge_start if into_run < 1.0 else self.loads.fridge
        for begin, end, event_watts in events:
            if begin <= second < end:
                watts += event_watts
        return watts


@lru_cache(maxsize=16)
def _habits(seed: int, day: int) -> tuple[float, float, list[tuple[float, float, float]]]:
    """Fridge period and running time in seconds, and the day's (begin, end, watts) of lights and appliances."""
    rng = np.random.default_rng([seed, 5, day])
    period = float(rng.uniform(2000, 2900))
    events = [
        (6.5 * 3600 + rng.normal(0, 900), 8.0 * 3600 + rng.normal(0, 900), 45.0),
        (17.5 * 3600 + rng.normal(0, 1800), 22.5 * 3600 + rng.normal(0, 1500), rng.uniform(60, 140)),
    ]
    for _ in range(int(rng.poisson(4))):
        begin = rng.uniform(7, 21) * 3600
        events.append((begin, begin + rng.uniform(120, 1500), rng.uniform(200, 1400)))
    events.append((11 * 3600, 12.0 * 3600, float(rng.choice([0.0, 0.0, 500.0]))))
    return period, period * float(rng.uniform(0.25, 0.4)), [(float(a), float(b), float(w)) for a, b, w in events]
