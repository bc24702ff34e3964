"""Sun and air at an invented place, minute by minute; any day can be asked for without the days before it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from simulators.electrochemistry import Floats

MINUTES = np.arange(1440)
SECONDS_PER_DAY = 86400


@dataclass(frozen=True)
class Climate:
    """Where the panels stand. Hours are local standard time, the sun is highest at noon."""

    latitude_degrees: float
    tilt_degrees: float
    mean_celsius: float
    yearly_celsius: float
    daily_celsius: float
    cloudiness: float
    """0 for a desert, 1 for a place where most days are dull."""


@dataclass(frozen=True)
class Day:
    """`sun` is the panels' output as a fraction of their rating, `celsius` the air's, one value per minute."""

    sun: list[float]
    celsius: list[float]


@lru_cache(maxsize=16)
def weather(climate: Climate, seed: int, day: int) -> Day:
    """The weather of a day, counted from 1970-01-01. The same seed and day give the same weather."""
    rng = np.random.default_rng([seed, 2, day])
    near = (max(day - 1, 0), day, day + 1)
    clear = [_clearness(climate, seed, one) for one in near]
    clearness = clear[1]
    sun = _clear_sky(climate, day) * np.clip(clearness + _passing_clouds(rng, clearness), 0.05, 1.0)
    yearly = climate.yearly_celsius * np.cos(2 * np.pi * ((day + MINUTES / 1440) % 365.25 - 200) / 365.25)
    # Clear nights are colder and clear days warmer; the air is warmest at three in the afternoon.
    swing = climate.daily_celsius * (0.4 + _over_the_day(clear)) * np.cos(2 * np.pi * (MINUTES - 900) / 1440)
    front = 6.0 * _over_the_day([_smooth_noise(seed, 3, one) for one in near])
    return Day(sun.tolist(), (climate.mean_celsius + yearly + swing + front).tolist())


def _over_the_day(noons: list[float]) -> Floats:
    """Minute by minute from what holds at noon of the day before, of the day and of the one after: no jump at
    midnight."""
    return np.interp(MINUTES, [720 - 1440, 720, 720 + 1440], noons)


def _clear_sky(climate: Climate, day: int) -> Floats:
    declination = np.radians(-23.44 * np.cos(2 * np.pi * (day % 365.25 + 10) / 365.25))
    hour_angle = 2 * np.pi * (MINUTES - 720) / 1440
    latitude = np.radians(climate.latitude_degrees)
    facing = latitude - np.radians(climate.tilt_degrees)
    height = np.sin(declination) * np.sin(latitude) + np.cos(declination) * np.cos(latitude) * np.cos(hour_angle)
    incidence = np.sin(declination) * np.sin(facing) + np.cos(declination) * np.cos(facing) * np.cos(hour_angle)
    up = np.clip(height, 0.0, None)
    # Air mass takes more of a low sun; the exponent is a round figure.
    sun: Floats = 0.9 * np.clip(incidence, 0.0, None) * up**0.3
    return sun


def _smooth_noise(seed: int, stream: int, day: int) -> float:
    """Normal noise that remembers the days before."""
    return float(
        sum(0.6**back * np.random.default_rng([seed, stream, day + 3 - back]).normal() for back in range(4)) * 0.8
    )


def _clearness(climate: Climate, seed: int, day: int) -> float:
    winter = 0.5 + 0.5 * np.cos(2 * np.pi * (day % 365.25 - 10) / 365.25)
    middle = 0.9 - climate.cloudiness * (0.35 + 0.3 * winter)
    return float(np.clip(middle + 0.25 * _smooth_noise(seed, 4, day), 0.08, 1.0))


def _passing_clouds(rng: np.random.Generator, clearness: float) -> Floats:
    kernel = np.exp(-np.arange(40) / 8.0)
    noise = np.convolve(rng.normal(size=len(MINUTES) + 39), kernel / np.sqrt((kernel**2).sum()), mode="valid")
    # A half-clear day changes most.
    changing: Floats = noise * 0.9 * clearness * (1.0 - clearness)
    return changing
