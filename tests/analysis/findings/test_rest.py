"""Rests, from frames made by hand: grades, state of charge, leaks, and what is no rest."""

from __future__ import annotations

from math import exp

import pytest
from fold_tools import bank as small_bank
from frame_tools import Pipeline, ground_of, limits_of, make_frame, restarts_change_nothing

from loggerd.analysis.findings.events import Rested
from loggerd.analysis.findings.full_charge import FullCharge
from loggerd.analysis.findings.rest import Rest
from loggerd.analysis.frames import Frame
from loggerd.model.bank import Accuracy
from loggerd.model.finding import Finding

BANK = small_bank(rated_amp_hours=200.0)
LIMITS = limits_of()
CELLS = BANK.cells_in_series
GROUND = ground_of(BANK, {"amps": Accuracy(0.005, 0.02), "volts": Accuracy(0.0005, 0.01)})
HOLD = LIMITS["absorption_volts_per_cell"]


class Story:
    def __init__(self) -> None:
        self.frames: list[Frame] = []

    def add(self, amps: float, volts: float, celsius: float = 25.0, **more: object) -> None:
        self.frames.append(
            make_frame(BANK, len(self.frames), amps, volts * CELLS, celsius=celsius, **more)  # type: ignore[arg-type]
        )

    def load(self, hours: float, amps: float = -10.0, volts: float = 2.02) -> None:
        for _ in range(round(12 * hours)):
            self.add(amps, volts)

    def rest(self, hours: float, end: float, size: float = -0.03, leak: float = 0.0, celsius: float = 25.0) -> None:
        """Relaxation with two time constants, half an hour and two hours."""
        for number in range(round(12 * hours)):
            minutes = 5.0 * (number + 0.5)
            shape = 0.6 * exp(-minutes / 30) + 0.4 * exp(-minutes / 120)
            self.add(leak, end + size * shape + LIMITS["rest_volts_per_kelvin"] * (celsius - 25.0), celsius)

    def full_charge(self) -> None:
        for number in range(12 * 9):
            self.add(1.5 + 28.0 * exp(-number / 12), HOLD)


def run(story: Story, *topics: type) -> tuple[list[Finding], list[Rested]]:
    pipeline = Pipeline(GROUND, LIMITS, *(topics or (Rest,)))
    found = pipeline.run(story.frames)
    return found, [one for one in pipeline.events if isinstance(one, Rested)]


def named(found: list[Finding], name: str) -> list[Finding]:
    return [one for one in found if one.name == f"rest.{name}"]


@pytest.mark.parametrize(
    ("hours", "grade", "verdict"), [(0.75, "C", "rough"), (3.0, "B", "fair"), (9.0, "A", "settled")]
)
def test_rests_are_graded_by_their_length(hours: float, grade: str, verdict: str) -> None:
    story = Story()
    story.load(2)
    story.rest(hours, 2.040)
    story.load(1)
    found, rested = run(story)
    assert [one.grade for one in rested] == [grade]
    assert rested[0].after == "discharge"
    assert rested[0].hours == pytest.approx(hours)
    assert abs(rested[0].volts_per_cell - 2.040) <= rested[0].volts_half_width
    told = named(found, "state_of_charge")[-1]
    assert told.verdict == verdict
    assert told.low is not None
    assert told.high is not None
    assert told.low <= 50.0 <= told.high


def test_a_rest_of_twenty_minutes_or_a_load_is_none() -> None:
    story = Story()
    story.load(2)
    story.rest(1 / 3, 2.04)
    story.load(1)
    story.rest(2, 2.04, leak=-0.9)
    story.load(1)
    assert run(story)[1] == []


def test_temperature_is_taken_out() -> None:
    story = Story()
    story.load(2)
    story.rest(9, 2.040, celsius=5.0)
    story.load(1)
    rested = run(story)[1][0]
    assert rested.volts_per_cell == pytest.approx(2.040, abs=0.001)
    assert rested.celsius == 5.0


def test_float_is_no_rest() -> None:
    story = Story()
    story.load(2)
    for _ in range(12 * 20):
        story.add(0.1, LIMITS["float_volts_per_cell"])
    story.load(1)
    assert run(story)[1] == []


def test_own_curves_make_an_hour_worth_more() -> None:
    """Five whole rests of this bank, then one of an hour."""
    story = Story()
    for number in range(5):
        story.load(2)
        story.rest(12.5, 2.06 - 0.005 * number, size=-0.03 - 0.002 * number)
    story.load(2)
    story.rest(1.0, 2.030, size=-0.05)
    story.load(1)
    rested = run(story)[1]
    assert len(rested) == 6
    assert rested[-1].volts_per_cell == pytest.approx(2.030, abs=0.0015)
    assert rested[-1].volts_half_width < 0.006
    first = Story()
    first.load(2)
    first.rest(1.0, 2.030, size=-0.05)
    first.load(1)
    assert run(first)[1][0].volts_half_width > 0.014


@pytest.mark.parametrize(("end", "verdict"), [(2.108, "confirmed"), (2.06, "contradicted")])
def test_rest_after_a_proven_full_charge(end: float, verdict: str) -> None:
    """Two rests must agree before a full charge is contradicted."""
    story = Story()
    for _ in range(2):
        story.load(4)
        story.full_charge()
        story.rest(10, end, size=0.04)
    story.load(1)
    found, rested = run(story, FullCharge, Rest)
    assert [one.after_full for one in rested] == ["proven", "proven"]
    told = named(found, "after_full")
    assert told[-1].verdict == verdict
    if verdict == "contradicted":
        assert told[0].verdict == "cannot_tell"


def weeks(load: float, days: int, story: Story | None = None) -> Story:
    whole = story or Story()
    for _ in range(days):
        whole.load(6, amps=-8.0)
        for _ in range(12 * 6):
            whole.add(8.2, 2.25)
        whole.rest(12, 2.09, size=0.02, leak=-load)
    return whole


def test_a_load_of_50_milliamps_is_found_above_the_band_of_the_zero() -> None:
    told = named(run(weeks(0.05, 6))[0], "parasitic")[-1]
    assert told.verdict == "small"
    assert told.value == pytest.approx(0.05, abs=0.001)
    assert told.low == pytest.approx(0.03, abs=0.001)


def test_a_load_below_the_band_of_the_zero_cannot_be_told() -> None:
    told = named(run(weeks(0.015, 6))[0], "parasitic")[-1]
    assert told.verdict == "cannot_tell"
    assert "zero of the meter" in told.reason


def test_a_load_that_is_added_is_found() -> None:
    quiet = named(run(weeks(0.06, 24))[0], "parasitic")
    assert {one.verdict for one in quiet} == {"small"}
    story = weeks(0.06, 18)
    added = named(run(weeks(0.2, 6, story))[0], "parasitic")[-1]
    assert added.verdict == "grown"
    assert added.value == pytest.approx(0.2, abs=0.001)


def test_what_is_on_for_an_hour_a_day_is_no_load_of_the_rest_on_hot_days_either() -> None:
    """A hot bank stands higher after its charge than a cold one that is charged; it rests all the same."""
    story = Story()
    for day in range(24):
        celsius = 25.0 if day < 18 else 40.0
        story.load(6, amps=-8.0)
        for _ in range(12):
            story.add(-0.004 * BANK.rated_amp_hours, 2.03, celsius)
        for _ in range(12 * 6):
            story.add(8.2, 2.25, celsius)
        for _ in range(12 * 11):
            story.add(0.0, 2.12, celsius)
    told = named(run(story)[0], "parasitic")
    assert {one.verdict for one in told} <= {"cannot_tell", "none", "small"}


def test_a_load_that_empties_the_bank_soon_is_heavy() -> None:
    assert named(run(weeks(0.38, 2))[0], "parasitic")[0].verdict == "heavy"


def self_discharging(per_day: float, days: int) -> list[Finding]:
    """SOC falls from 95 %; 25 % of it lie between two rows of the table."""
    story = Story()
    story.load(2)
    span = (LIMITS["rest_volts_full"] - LIMITS["rest_volts_75"]) / 0.25
    for number in range(288 * days):
        minutes = 5.0 * number
        volts = LIMITS["rest_volts_full"] - span * (0.05 + per_day * number / 288)
        story.add(0.0, volts - 0.03 * exp(-minutes / 90))
    story.load(1)
    return named(run(story)[0], "self_discharge")


def test_self_discharge_from_a_rest_of_days() -> None:
    high = self_discharging(0.02, 8)[-1]
    assert high.verdict == "high"
    assert high.value == pytest.approx(2.0, rel=0.02)
    usual = self_discharging(0.003, 8)[-1]
    assert usual.verdict == "usual"
    assert usual.value == pytest.approx(0.3, rel=0.05)
    assert self_discharging(0.02, 3) == []


def test_a_bank_that_never_rests_is_said_once_a_month() -> None:
    story = Story()
    for _ in range(45):
        story.load(12, amps=-5.0)
        for _ in range(12 * 12):
            story.add(5.2, 2.25)
    told = named(run(story)[0], "state_of_charge")
    assert [one.verdict for one in told] == ["cannot_tell", "cannot_tell"]
    assert "No rest" in told[0].reason
    assert told[1].at.at_ms - told[0].at.at_ms > 29 * 86_400_000


def test_a_pause_of_unknown_length_ends_the_rest() -> None:
    story = Story()
    story.load(2)
    story.rest(3, 2.04)
    story.add(0.0, 2.04, after_unknown=True)
    story.rest(1, 2.04)
    story.load(1)
    assert [round(one.hours, 1) for one in run(story)[1]] == [3.0, 1.1]


def test_restarts_change_nothing_of_rests() -> None:
    story = Story()
    for number in range(6):
        story.load(2)
        story.rest(12.5 - number, 2.06)
        story.full_charge()
        story.rest(3, 2.10, size=0.04)
    story.load(1)
    found = restarts_change_nothing(GROUND, LIMITS, [FullCharge, Rest], story.frames)
    assert len(named(found, "state_of_charge")) == 12
