"""Voltage under light loads soon after a charge, from frames made by hand; volts are invented."""

from __future__ import annotations

import json
from dataclasses import replace
from math import sqrt

import pytest
from fold_tools import bank as small_bank
from frame_tools import START_MS, ground_of, limits_of, make_frame

from loggerd.analysis.findings.catalogue import Moment
from loggerd.analysis.findings.events import ChargeEnded, LightlyLoaded
from loggerd.analysis.findings.rest import Rest
from loggerd.analysis.findings.rest_light_load import LightLoad

BANK = small_bank(rated_amp_hours=100.0)
CELLS = BANK.cells_in_series
HOUR_MS = 3_600_000
LIMITS = limits_of()
A_FRAME = 1 / 12
SAG = 0.01 * (sqrt(LIMITS["cell_ohm_amp_hours_low"] * LIMITS["cell_ohm_amp_hours_high"]) + 0.3)
"""What 1 A of 100 Ah takes from a cell of usual resistance [V]."""


def ended(hours: float) -> ChargeEnded:
    """A charge that was held so long."""
    held_ms = round(hours * HOUR_MS)
    return ChargeEnded(START_MS, START_MS, "full_likely", 30.0, 2.4, held_ms, 1.0, 25.0, 25.0)


class House:
    """Positions count on from frame to frame."""

    def __init__(self) -> None:
        self.watch = LightLoad(ground_of(BANK))
        self.position = 0
        self.told: list[LightlyLoaded] = []

    def run(self, amps: float, volts_per_cell: float, hours: float, missed: int = 0) -> House:
        for _ in range(round(hours / A_FRAME)):
            frame = make_frame(BANK, self.position, amps, volts_per_cell * CELLS, missed=missed)
            self.position += 1
            told = self.watch.add(frame, LIMITS)
            self.told += [told] if told else []
            self.watch.load_plain(json.loads(json.dumps(self.watch.to_plain())))
        return self


def charged(hours: float = 2.0) -> House:
    house = House().run(10.0, 2.4, 1.0)
    house.watch.charged(ended(hours))
    return house


def test_the_mean_of_the_light_loads_between_three_and_eight_per_cent_is_told_once() -> None:
    """1 A of 100 Ah from full: 3 hours of surface charge, 5 of light load, and then other voltages again."""
    house = charged().run(-1.0, 2.17, 3.0 - A_FRAME).run(-1.0, 2.11, 2.5).run(-1.0, 2.13, 2.6).run(-1.0, 2.05, 9.0)
    assert len(house.told) == 1
    assert house.told[0].volts_per_cell == pytest.approx(2.12 + SAG, abs=5e-4)
    assert house.told[0].at_ms == pytest.approx(START_MS + HOUR_MS * (1 + 8), abs=A_FRAME * HOUR_MS)


def test_one_bad_block_is_not_the_acid_of_the_bank() -> None:
    """A cell that is short takes 2 V from the bank, and its block stands alone with it."""
    bank = small_bank(blocks=4, cells=6, rated_amp_hours=100.0)
    watch, told = LightLoad(ground_of(bank)), []
    watch.charged(ended(2.0))
    for position in range(120):
        blocks = [12.72, 12.72, 10.6, 12.72]
        event = watch.add(make_frame(bank, position, -1.0, sum(blocks), block_volts=blocks), LIMITS)
        told += [event.volts_per_cell] if event else []
    assert told == [pytest.approx(2.12 + SAG)]


def test_neither_habits_nor_seasons_move_it() -> None:
    """The same rested voltage under a small and a larger load, in summer and in an unheated room in winter."""
    rested, kelvin = 2.12, LIMITS["rest_volts_per_kelvin"]
    told = []
    for amps, celsius in ((-0.3, 25.0), (-1.4, 25.0), (-0.3, 5.0), (-1.4, 5.0)):
        watch = LightLoad(ground_of(BANK))
        watch.charged(ended(2.0))
        cold = 25.0 - celsius
        volts = rested - kelvin * cold + amps * SAG * (1.0 + 0.01 * cold)
        for position in range(2000):
            frame = make_frame(BANK, position, amps, volts * CELLS, celsius=celsius)
            if event := watch.add(frame, LIMITS):
                told.append(event.volts_per_cell)
    assert told == [pytest.approx(rested, abs=1e-6)] * 4


def test_a_charger_that_is_weak_does_not_mix_the_days() -> None:
    """It never brings 1 % an hour, so that nothing but the full bank itself parts one discharge from the next."""
    house = House()
    for volts in (2.12, 2.12, 2.05, 2.05):
        house.watch.charged(ended(2.0))
        house.run(-1.0, volts, 12.0).run(0.9, 2.3, 20.0)
    assert [one.volts_per_cell for one in house.told] == [
        pytest.approx(volts + SAG, abs=1e-3) for volts in (2.12, 2.12, 2.05, 2.05)
    ]


def test_a_charge_that_was_not_full_tells_nothing_of_the_acid() -> None:
    house = House().run(10.0, 2.4, 1.0)
    house.watch.charged(replace(ended(2.0), verdict="ended_early"))
    assert house.run(-1.0, 2.12, 12.0).told == []


def test_heavy_loads_are_left_out() -> None:
    house = charged().run(-1.0, 2.17, 3.0 - A_FRAME).run(-1.0, 2.12, 2.0).run(-10.0, 2.0, 0.1).run(-1.0, 2.12, 5.0)
    assert house.told[0].volts_per_cell == pytest.approx(2.12 + SAG, abs=1e-6)


def test_without_an_hour_of_light_load_nothing_is_told() -> None:
    assert charged().run(-5.0, 2.05, 4.0).told == []
    assert charged().run(-1.0, 2.17, 3.0).run(-5.0, 2.05, 1.0).run(-1.0, 2.1, 4.0).told == []


def test_a_charge_that_was_not_held_for_an_hour_tells_nothing() -> None:
    assert charged(0.9).run(-1.0, 2.12, 12.0).told == []
    assert len(charged(1.0).run(-1.0, 2.12, 12.0).told) == 1


def test_what_is_missing_or_put_in_meanwhile_ends_it() -> None:
    assert charged().run(-1.0, 2.12, 5.0).run(-1.0, 2.12, A_FRAME, missed=2).run(-1.0, 2.12, 12.0).told == []
    assert charged().run(-1.0, 2.12, 5.0).run(5.0, 2.3, 1.0).run(-1.0, 2.12, 12.0).told == []


def test_a_float_after_the_charge_is_no_discharge() -> None:
    """Small currents into the full bank do not count against what goes out later."""
    house = charged().run(0.5, 2.25, 20.0).run(-1.0, 2.17, 3.0 - A_FRAME).run(-1.0, 2.12, 6.0)
    assert [one.volts_per_cell for one in house.told] == [pytest.approx(2.12 + SAG, abs=1e-3)]


def test_the_topic_of_rests_tells_it_to_those_that_follow() -> None:
    topic, limits, seen = Rest(ground_of(BANK)), limits_of(), []
    for position in range(12 * 12):
        charging = position < 12
        frame = make_frame(BANK, position, 10.0 if charging else -1.0, CELLS * (2.4 if charging else 2.12))
        moment = Moment(frame, limits, [ended(2.0)] if position == 12 else [])
        topic.push(moment)
        seen += [one for one in moment.events if isinstance(one, LightlyLoaded)]
    assert [one.volts_per_cell for one in seen] == [pytest.approx(2.12 + SAG)]
