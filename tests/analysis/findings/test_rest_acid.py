"""Sulfation and layers of acid by rests, from events and frames made by hand."""

from __future__ import annotations

import json
from dataclasses import replace
from math import exp
from random import Random

import pytest
from fold_tools import bank as small_bank
from frame_tools import START_MS, ground_of, limits_of, make_frame

from loggerd.analysis.findings.catalogue import Moment
from loggerd.analysis.findings.events import ChargeEnded, LightlyLoaded, Rested, SinceFull
from loggerd.analysis.findings.full_charge_reading import reading_of
from loggerd.analysis.findings.full_charge_telling import Teller
from loggerd.analysis.findings.rest import Rest
from loggerd.analysis.findings.rest_stratification import Stratification
from loggerd.analysis.findings.rest_sulfation import Sulfation
from loggerd.analysis.frames import DAY_MS
from loggerd.model.bank import BankType
from loggerd.model.log_book import LogEntry

HOUR_MS = 3_600_000
BANK = small_bank(rated_amp_hours=200.0)
BLOCKS = BANK.blocks_per_string
PER_BLOCK = BANK.cells_in_series / BLOCKS
LIMITS = limits_of()
FULL = 2.110


def rest_at(at_ms: int, volts: float, after: str = "charge", grade: str = "A", low_block: float = 0.0) -> Rested:
    """`low_block`: volts per cell that the first block stands lower; `volts` is then the mean of the bank."""
    even = (volts + low_block / BLOCKS) * PER_BLOCK
    blocks = (even - low_block * PER_BLOCK, *[even] * (BLOCKS - 1))
    return Rested(
        at_ms - 8 * HOUR_MS, at_ms, 8.0, volts, 0.004, grade, 0.0, 25.0, blocks, after, "proven", 1.0, 0.04
    )  # fmt: skip


class Days:
    """One whole charge and one rest after it each day; `lightly`: a light load in place of the rest."""

    def __init__(
        self,
        held_hours: float = 2.0,
        gassed_hours: float = 0.0,
        bank_type: BankType = BankType.FLOODED_ANTIMONY,
        lightly: bool = False,
    ) -> None:
        self.bank = replace(BANK, type=bank_type)
        self.gassed_ms = round(gassed_hours * HOUR_MS)
        self.held_ms = round(held_hours * HOUR_MS)
        self.lightly = lightly
        self.watch = Sulfation(ground_of(self.bank))
        self.teller = Teller()
        self.day = 0
        self.told: list[str] = []

    def rested(self, volts: float, drawn: float = 0.0, days_since: float = 0.4, low_block: float = 0.0) -> None:
        self.day += 1
        full_ms = START_MS + self.day * DAY_MS
        at_ms = full_ms + round(days_since * DAY_MS)
        self.watch.charged(
            ChargeEnded(full_ms - 6 * HOUR_MS, full_ms, "full_proven", 60.0, 2.45, self.held_ms, 2.0, 40.0, 25.0),
            self.gassed_ms,
        )
        moment = Moment(
            make_frame(BANK, self.day, 0.0, volts * BANK.cells_in_series),
            LIMITS,
            since_full=SinceFull(full_ms, True, drawn, 0.0, 0),
        )
        after = "discharge" if drawn else "charge"
        if self.lightly:
            found = self.watch.lightly_loaded(LightlyLoaded(at_ms, volts), self.teller, moment)
        else:
            found = self.watch.rested(rest_at(at_ms, volts, after, low_block=low_block), self.teller, moment)
        self.told += [one.verdict for one in found]
        plain = json.loads(json.dumps(self.watch.to_plain()))
        self.watch = Sulfation(ground_of(self.bank))
        self.watch.load_plain(plain)


def test_rests_that_fall_for_weeks_after_whole_charges_are_sulfation() -> None:
    days = Days()
    for number in range(80):
        days.rested(FULL - 0.0005 * max(number - 10, 0))
    assert days.told[0] == "as_before" and days.told[-1] == "sulfated"


def test_light_loads_stand_in_for_the_rests_of_a_bank_that_never_rests() -> None:
    sulfated, sound, short = Days(lightly=True), Days(lightly=True), Days(0.5, lightly=True)
    for number in range(80):
        fall = 0.0005 * max(number - 10, 0)
        sulfated.rested(FULL - 0.01 - fall, drawn=16.0)
        sound.rested(FULL - 0.01 - 0.002 * (number % 3), drawn=16.0)
        short.rested(FULL - 0.01 - fall, drawn=16.0)
    assert sulfated.told[0] == "as_before" and sulfated.told[-1] == "sulfated"
    assert set(sound.told) == {"as_before"}
    assert short.told == []


def test_sound_rests_end_what_light_loads_told() -> None:
    days, both = Days(lightly=True), Days(lightly=True)
    for number in range(80):
        days.rested(FULL - 0.01 - 0.0005 * max(number - 10, 0), drawn=16.0)
    assert days.told[-1] == "sulfated"
    days.lightly = False
    for _ in range(120):
        days.rested(FULL)
    assert days.told[-1] == "as_before"
    for number in range(80):
        both.lightly = True
        both.rested(FULL - 0.01 - 0.0005 * max(number - 10, 0), drawn=16.0)
        both.lightly = False
        both.rested(FULL)
    assert set(both.told) == {"as_before"}


def test_charges_that_gas_at_a_finishing_current_are_whole_too() -> None:
    days = Days(0.2, gassed_hours=1.5)
    for number in range(80):
        days.rested(FULL - 0.0005 * max(number - 10, 0))
    assert days.told[-1] == "sulfated"


def test_what_has_been_drawn_is_put_back_before_rests_are_compared() -> None:
    drawn = [20.0] * 30 + [50.0] * 30
    volts_of_an_amp_hour = (LIMITS["rest_volts_full"] - LIMITS["rest_volts_75"]) / (0.25 * 200.0)
    days, sulfated = Days(), Days()
    for number, amp_hours in enumerate(drawn):
        days.rested(FULL - volts_of_an_amp_hour * amp_hours, amp_hours)
        sulfated.rested(FULL - volts_of_an_amp_hour * amp_hours - 0.0005 * number, amp_hours)
    assert set(days.told) == {"as_before"}
    assert sulfated.told[-1] == "sulfated"


@pytest.mark.parametrize(
    ("held_hours", "days_since"), [(0.5, 0.4), (2.0, 4.0)], ids=["charges cut short", "long after the charge"]
)
def test_rests_that_follow_no_whole_charge_say_nothing(held_hours: float, days_since: float) -> None:
    days = Days(held_hours)
    for number in range(80):
        days.rested(FULL - 0.0005 * number, days_since=days_since)
    assert days.told == []


def test_a_step_from_one_day_to_the_next_is_not_sulfation() -> None:
    days = Days()
    for number in range(80):
        days.rested(FULL - (0.030 if number > 30 else 0.0))
    assert set(days.told) == {"as_before"}


def test_a_fast_fall_of_sealed_blocks_is_no_water() -> None:
    days = Days(bank_type=BankType.AGM)
    for number in range(90):
        days.rested(FULL - 0.03 * (1.0 - exp(-max(number - 40, 0) / 8.0)))
    assert days.told == ["as_before", "sulfated", "sulfated"], "again when it is a tenth more"


def test_one_block_that_falls_is_not_sulfation_of_the_bank() -> None:
    days = Days()
    for number in range(80):
        low = 0.0005 * BLOCKS * number
        days.rested(FULL - low / BLOCKS, low_block=low)
    assert set(days.told) == {"as_before"}


def enter(days: Days, kind: str, corrects: str | None = None) -> None:
    entry = LogEntry("one", BANK.name, kind, START_MS, "keeper", corrects=corrects)
    frame = make_frame(BANK, 288 * (days.day + 1), 0.0, FULL * BANK.cells_in_series)
    days.watch.entered(Moment(frame, LIMITS, entries=(entry,)))


NOISE = 0.0015


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("mixing_days", [3.0, 8.0])
@pytest.mark.parametrize(("share", "every_days"), [(0.10, 1), (0.20, 1), (0.35, 1), (0.10, 3)])
def test_water_that_mixes_in_over_days_is_not_sulfation(
    share: float, every_days: int, mixing_days: float, seed: int
) -> None:
    """Entered by nobody. `share`: by how much of the way from full to flat the rests fall."""
    days, scatter = Days(), Random(seed)
    way = 4.0 * (LIMITS["rest_volts_full"] - LIMITS["rest_volts_75"])
    for number in range(150):
        if number % every_days:
            days.day += 1
            continue
        mixed = 1.0 - exp(-max(number - 40, 0) / mixing_days)
        days.rested(FULL - share * way * mixed + scatter.gauss(0.0, NOISE))
    assert set(days.told) == {"as_before"}


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("share", [0.20, 0.32])
def test_a_fall_over_75_days_is_sulfation_also_where_it_scatters_and_stays(share: float, seed: int) -> None:
    days, scatter = Days(), Random(seed)
    way = 4.0 * (LIMITS["rest_volts_full"] - LIMITS["rest_volts_75"])
    for number in range(170):
        grown = min(max(number - 30, 0) / 75.0, 1.0)
        days.rested(FULL - share * way * grown + scatter.gauss(0.0, NOISE))
    begins = days.told.index("sulfated")
    assert set(days.told[:begins]) == {"as_before"} and set(days.told[begins:]) == {"sulfated"}


@pytest.mark.parametrize("mixing_days", [3.0, 8.0])
def test_a_watering_in_the_log_book_begins_anew(mixing_days: float) -> None:
    days, scatter = Days(), Random(1)
    for number in range(90):
        if number == 40:
            enter(days, "watering")
        mixed = 1.0 - exp(-max(number - 40, 0) / mixing_days)
        days.rested(FULL - 0.03 * mixed + scatter.gauss(0.0, NOISE))
        if number == 53:
            assert days.watch.to_plain()["first"] == {"charge": [], "discharge": [], "light_load": []}
    assert set(days.told) == {"as_before"}
    assert len(days.watch.to_plain()["latest"]["charge"]) == 7


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("back_days", [1, 20])
def test_sulfation_ends_when_rests_are_back_at_the_full_level(back_days: int, seed: int) -> None:
    days, scatter = Days(), Random(seed)
    for number in range(80):
        days.rested(FULL - 0.0005 * max(number - 10, 0) + scatter.gauss(0.0, NOISE))
    assert days.told[-1] == "sulfated"
    for number in range(60):
        days.rested(FULL - 0.035 * max(1.0 - (number + 1) / back_days, 0.0) + scatter.gauss(0.0, NOISE))
    assert days.told[-1] == "as_before"


@pytest.mark.parametrize("kind", ["watering", "block_swapped"])
def test_rests_are_compared_anew_after_water_or_another_block_but_not_after_a_correction(kind: str) -> None:
    days = Days()
    for number in range(80):
        days.rested(FULL - 0.0005 * max(number - 10, 0))
    told = list(days.told)
    before = days.watch.to_plain()
    enter(days, kind, corrects="another")
    enter(days, "note")
    assert days.watch.to_plain() == before and told[-1] == "sulfated"
    enter(days, kind)
    for _ in range(60):
        days.rested(FULL - 0.035)
    assert days.told == [*told, "as_before"]


def test_the_topic_hears_the_log_book() -> None:
    topic = Rest(ground_of(BANK))
    frame = make_frame(BANK, 5, 0.0, FULL * BANK.cells_in_series)
    topic.push(Moment(frame, LIMITS, entries=(LogEntry("one", BANK.name, "watering", START_MS, "keeper"),)))
    assert topic.to_plain()["sulfation"]["wait_ms"] == frame.end_ms + 14 * DAY_MS


class Cycles:
    """Days of drawing and charging of a flooded bank; each ends with a rest after the charge."""

    def __init__(self, bank_type: BankType = BankType.FLOODED_ANTIMONY) -> None:
        self.bank = replace(BANK, type=bank_type)
        self.watch = Stratification(ground_of(self.bank))
        self.teller = Teller()
        self.position = 0
        self.told: list[str] = []

    def _frames(self, hours: float, amps: float, volts: float) -> None:
        for _ in range(round(12 * hours)):
            self.position += 1
            frame = make_frame(self.bank, self.position, amps, volts * self.bank.cells_in_series)
            reading = reading_of(frame, self.bank.cells_in_series, LIMITS)
            assert reading is not None
            self.watch.add(frame, reading, LIMITS)

    def day(self, gas_hours: float, rest_volts: float = FULL, drawn: float = 60.0) -> None:
        self._frames(4.0, -drawn / 4.0, 2.0)
        self._frames(4.0, drawn / 4.0, 2.3)
        self._frames(gas_hours, 3.0, 2.45)
        self._frames(16.0 - gas_hours, 0.0, rest_volts)
        frame = make_frame(self.bank, self.position, 0.0, rest_volts * self.bank.cells_in_series)
        self.watch.rested(rest_at(frame.end_ms, rest_volts))
        self.told += [one.verdict for one in self.watch.day_ended(self.teller, Moment(frame, LIMITS))]
        plain = json.loads(json.dumps(self.watch.to_plain()))
        self.watch = Stratification(ground_of(self.bank))
        self.watch.load_plain(plain)


@pytest.mark.parametrize(("rest_volts", "verdict"), [(FULL, "likely"), (FULL - 0.018, "possible")])
def test_weeks_of_cycles_without_gas_layer_the_acid_until_a_charge_gasses(rest_volts: float, verdict: str) -> None:
    cycles = Cycles()
    for _ in range(10):
        cycles.day(2.0)
    for _ in range(13):
        cycles.day(0.5, rest_volts)
    assert cycles.told == ["mixed"]
    for _ in range(8):
        cycles.day(0.5, rest_volts)
    assert cycles.told == ["mixed", verdict]
    cycles.day(2.0)
    assert cycles.told == ["mixed", verdict, "mixed"]


def test_layers_that_were_told_do_not_come_and_go_with_a_millivolt() -> None:
    cycles = Cycles()
    for _ in range(10):
        cycles.day(2.0)
    for _ in range(20):
        cycles.day(0.5, FULL - 0.006)
    assert cycles.told == ["mixed", "possible"]
    for below in (*[0.004] * 3, *[0.006] * 3, *[0.008] * 3):
        cycles.day(0.5, FULL - below)
    assert cycles.told == ["mixed", "possible", "likely", "possible"]


def test_a_bank_that_is_hardly_cycled_is_not_called_layered() -> None:
    cycles = Cycles()
    for _ in range(30):
        cycles.day(0.0, drawn=4.0)
    assert cycles.told == ["mixed"]


def test_sealed_blocks_are_not_asked() -> None:
    cycles = Cycles(BankType.AGM)
    for _ in range(30):
        cycles.day(0.0)
    assert cycles.told == []


def test_an_unknown_gap_may_have_mixed_it() -> None:
    cycles = Cycles()
    for _ in range(20):
        cycles.day(0.0)
    assert cycles.told == ["mixed", "possible"]
    gap = make_frame(cycles.bank, cycles.position + 100, 0.0, 2.1 * cycles.bank.cells_in_series, after_unknown=True)
    reading = reading_of(gap, cycles.bank.cells_in_series, LIMITS)
    assert reading is not None
    cycles.watch.add(gap, reading, LIMITS)
    found = cycles.watch.day_ended(cycles.teller, Moment(gap, LIMITS))
    assert [one.verdict for one in found] == ["mixed"]
