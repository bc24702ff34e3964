"""A day of one bank, minute by minute: loads, sun, air, and when it is plugged in. Any day can be asked for alone.

Hours are local standard time; days count from the start, `season` from 1 January.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulators.judging.chemistry import Flags, Floats, Layout
from simulators.judging.parameters import Draw

MINUTES = 1440
_MINUTE = np.arange(MINUTES)
_CLOUD_KERNEL = np.exp(-np.arange(40) / 8.0)
_CLOUD_KERNEL /= np.sqrt((_CLOUD_KERNEL**2).sum())


@dataclass
class Day:
    """One value per minute. Amperes are of the whole bank, positive."""

    load_amps: Floats
    source_amps: Floats
    """What sun or mains can give beside the generator."""
    plugged: Flags
    ambient_celsius: Floats
    equalizing: bool


def make_day(layout: Layout, draw: Draw, seed: int, day: int, season: int) -> Day:
    """The day of a bank. `draw` is that of one bank; `season` is the day of the year at the start."""
    rng = np.random.default_rng([seed, 2, day])
    clearness = _clearness(draw, seed, day, season)
    ambient = _ambient(draw, seed, day, season, clearness)
    since = int(draw.equalize_days)
    equalizing = float(draw.equalize_hours) > 0.0 and (day + seed) % since == 0
    if layout.site == "solar":
        sun = _sun(draw, rng, day + season, clearness)
        # A bank that needs an equalizing charge gets it on the next bright day.
        bright = [_clearness(draw, seed, day - back, season) > 0.6 for back in range(5)]
        due = any((day - back + seed) % since == 0 and not any(bright[1 : back + 1]) for back in range(5))
        equalizing = float(draw.equalize_hours) > 0.0 and bright[0] and due
        source = sun * float(draw.panel_amps)
        return Day(_cabin(layout, draw, rng), source, sun > 0.01, ambient, equalizing)
    endless = np.full(MINUTES, np.inf)
    if layout.site == "truck":
        load, plugged, equalizing = _truck(layout, draw, seed, day)
        return Day(load, endless, plugged, ambient, equalizing)
    load, plugged = _cart(layout, draw, seed, day)
    return Day(load, endless, plugged, ambient, equalizing)


# -- weather ---------------------------------------------------------------------------------------------------


def _memory(seed: int, stream: int, day: int) -> float:
    """Normal noise that remembers the days before."""
    drawn = [float(np.random.default_rng([seed, stream, day + 8 - back]).standard_normal()) for back in range(4)]
    return 0.8 * sum(0.6**back * value for back, value in enumerate(drawn))


def _clearness(draw: Draw, seed: int, day: int, season: int) -> float:
    winter = 0.5 + 0.5 * np.cos(2 * np.pi * ((day + season) % 365.25 - 10) / 365.25)
    middle = 0.92 - float(draw.cloudiness) * (0.35 + 0.3 * winter)
    return float(np.clip(middle + 0.25 * _memory(seed, 3, day), 0.08, 1.0))


def _ambient(draw: Draw, seed: int, day: int, season: int, clearness: float) -> Floats:
    yearly = float(draw.yearly_celsius) * np.cos(2 * np.pi * ((day + season) % 365.25 - 200) / 365.25)
    fronts = [3.0 * _memory(seed, 4, day + ahead) * (1.0 - float(draw.shelter)) for ahead in (0, 1)]
    front = fronts[0] + (fronts[1] - fronts[0]) * _MINUTE / MINUTES
    swing = float(draw.daily_celsius) * (1.0 - float(draw.shelter)) * np.cos(2 * np.pi * (_MINUTE - 900) / MINUTES)
    ambient: Floats = float(draw.mean_celsius) + yearly + front + swing * (0.4 + 0.6 * clearness)
    return ambient


def _sun(draw: Draw, rng: np.random.Generator, season: int, clearness: float) -> Floats:
    """Output of the panels as a share of their rating. Plain geometry of a fixed panel, sun highest at noon."""
    declination = np.radians(-23.44 * np.cos(2 * np.pi * (season % 365.25 + 10) / 365.25))
    hour_angle = 2 * np.pi * (_MINUTE - 720) / MINUTES
    latitude = np.radians(float(draw.latitude))
    facing = latitude - np.radians(float(draw.latitude) + 12.0)
    height = np.sin(declination) * np.sin(latitude) + np.cos(declination) * np.cos(latitude) * np.cos(hour_angle)
    incidence = np.sin(declination) * np.sin(facing) + np.cos(declination) * np.cos(facing) * np.cos(hour_angle)
    clear = 0.95 * np.clip(incidence, 0.0, None) * np.clip(height, 0.0, None) ** 0.3
    noise = np.convolve(rng.standard_normal(MINUTES + 39), _CLOUD_KERNEL, mode="valid")
    changing = noise * 0.9 * clearness * (1.0 - clearness)
    sun: Floats = clear * np.clip(clearness + changing, 0.06, 1.0)
    return sun


# -- loads -----------------------------------------------------------------------------------------------------


def _cabin(layout: Layout, draw: Draw, rng: np.random.Generator) -> Floats:
    """Standby, a fridge, lights, appliances; scaled to the day's amp-hours."""
    period, duty = float(rng.uniform(32, 48)), float(rng.uniform(0.28, 0.4))
    fridge = ((_MINUTE + rng.uniform(0, period)) % period) < period * duty
    load: Floats = np.where(fridge, 1.12, 0.12)
    begin, end = 17.5 * 60 + rng.normal(0, 30), 22.5 * 60 + rng.normal(0, 25)
    load[max(int(begin), 0) : int(end)] += rng.uniform(0.8, 1.6)
    load[int(6.5 * 60 + rng.normal(0, 15)) : 8 * 60] += 0.5
    for _ in range(int(rng.poisson(6))):
        start = int(rng.uniform(7, 21.5) * 60)
        load[start : start + int(rng.uniform(2, 30))] += rng.uniform(3.0, 14.0)
    # The typical day of this recipe comes to about 33 units times hours.
    scale = float(draw.depth) * layout.rated_amp_hours / 33.0
    return load * np.float64(scale)


def _works(seed: int, day: int) -> tuple[int, bool]:
    """Weekday (0 Monday), and whether the site works that day."""
    weekday = (day + seed) % 7
    saturday = weekday == 5 and np.random.default_rng([seed, 5, day]).random() < 0.5
    return weekday, weekday < 5 or saturday


def _truck(layout: Layout, draw: Draw, seed: int, day: int) -> tuple[Floats, Flags, bool]:
    """A long shift with breaks; plugged in from its end until the next one begins; equalizing at the weekend."""
    weekday, works = _works(seed, day)
    rng = np.random.default_rng([seed, 6, day])
    load, plugged = np.zeros(MINUTES), np.ones(MINUTES, dtype=bool)
    last = not _works(seed, day + 1)[1]
    equalizing = weekday == 6 or (last and weekday >= 4)
    if not works:
        # Whoever comes in on Sunday starts the equalizing charge.
        plugged[: 8 * 60] = weekday != 6
        return load, plugged, equalizing
    begin, end = 6 * 60 + int(rng.integers(-10, 11)), 15 * 60 + int(rng.integers(-30, 31))
    plugged[begin : end + int(rng.integers(5, 25))] = False
    duty = rng.gamma(1.6, 1.0, MINUTES)
    duty[rng.random(MINUTES) < 0.12] = 0.0
    work = np.zeros(MINUTES, dtype=bool)
    work[begin:end] = True
    for pause in (9 * 60, 12 * 60):
        work[pause : pause + int(rng.integers(15, 40))] = False
    duty = np.where(work, duty.clip(0.0, 5.0), 0.0)
    amp_hours = float(draw.depth) * layout.rated_amp_hours * float(np.clip(rng.normal(1.0, 0.15), 0.5, 1.35))
    load = duty * (amp_hours * 60.0 / max(float(duty.sum()), 1.0))
    load[begin:end] += 0.003 * layout.rated_amp_hours
    return np.minimum(load, 0.6 * layout.rated_amp_hours), plugged, equalizing


def _cart(layout: Layout, draw: Draw, seed: int, day: int) -> tuple[Floats, Flags]:
    """One or two rounds with stops at each hole; plugged in at dusk; closed on Mondays and now and then idle."""
    rng = np.random.default_rng([seed, 7, day])
    weekday = (day + seed) % 7
    standing = 0.0004 * layout.rated_amp_hours
    load, plugged = np.full(MINUTES, standing), np.ones(MINUTES, dtype=bool)
    rounds = 0 if weekday == 0 else int(rng.choice([0, 1, 2], p=[0.12, 0.33, 0.55]))
    if rounds == 0:
        return load, plugged
    for begin in (8 * 60, 13 * 60 + 20)[:rounds]:
        minute = begin + int(rng.integers(0, 40))
        for _ in range(18 * 4):
            driven = int(rng.integers(1, 3))
            load[minute : minute + driven] = rng.uniform(0.5, 1.5)
            minute += driven + int(rng.integers(1, 4))
    driving = load >= 0.5
    target = float(draw.depth) * layout.rated_amp_hours * rounds / 2.0 * float(rng.uniform(0.85, 1.2))
    scale = target * 60.0 / max(float(load[driving].sum()), 1.0)
    load = np.where(driving, load * scale, standing)
    plugged[7 * 60 : 19 * 60 + int(rng.integers(0, 60))] = False
    return load, plugged
