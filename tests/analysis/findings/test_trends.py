"""Trends, drifts and dates, from events of years."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pytest
from fold_tools import bank
from frame_tools import START_MS, Pipeline, ground_of, limits_of, make_frame

from loggerd.analysis.findings.catalogue import Moment
from loggerd.analysis.findings.events import (
    BecameFull,
    BlocksCompared,
    Capacity,
    ChargeEnded,
    Event,
    Resistance,
    Rested,
    SinceFull,
)
from loggerd.analysis.findings.trends import Trends
from loggerd.analysis.findings.trends_acceptance import Acceptance
from loggerd.analysis.findings.weekly import KEPT_MONTHS, Sample, Thinned
from loggerd.analysis.frames import FRAME_MS
from loggerd.model.finding import Finding, Grade

BANK = bank()
DAY = 288
DAY_MS = DAY * FRAME_MS
YEAR = 365.25
LIMITS = limits_of()
Course = Callable[[float], float]
"""By years."""


def warm(year: float) -> float:
    return 20.0 + 10.0 * float(np.sin(2 * np.pi * year))


def capacity(day: int, amp_hours: float, witness: str = "tested", celsius: float | None = None) -> Capacity:
    degrees = warm(day / YEAR) if celsius is None else celsius
    return Capacity(START_MS + day * DAY_MS, witness, amp_hours, amp_hours, amp_hours, amp_hours, degrees, 20.0)


def resistance(day: int, ohms: float, celsius: float | None = None) -> Resistance:
    degrees = warm(day / YEAR) if celsius is None else celsius
    at = START_MS + day * DAY_MS
    return Resistance(at - DAY_MS, at, ohms, (), 0.01, 5, 60.0, degrees, 0.2)


def run(
    events: Callable[[int], list[Event]], days: int, every: int = 1, restart: bool = False, name: str = ""
) -> list[Finding]:
    """One frame a day, in which 20 Ah are drawn."""
    pipeline = Pipeline(ground_of(BANK), LIMITS, Trends)
    found: list[Finding] = []
    for day in range(0, days, every):
        frame = make_frame(BANK, day * DAY, -240.0, 48.0)
        found += pipeline.run([frame], {frame.number: events(day)})
        if restart:
            pipeline.restart()
    return [one for one in found if not name or one.name == name]


def details(finding: Finding) -> Mapping[str, float | None]:
    return {figure.name: figure.value for figure in finding.details}


def noise(seed: int, sd: float) -> Callable[[], float]:
    rng = np.random.default_rng(seed)
    return lambda: float(sd * rng.standard_normal())


# Trends


def test_a_loss_of_capacity_is_found_through_the_seasons() -> None:
    """-6 % of rated a year, 2 % of noise; the temperature moves what is left of it by 0.3 % per kelvin."""
    jitter = noise(1, 4.0)

    def events(day: int) -> list[Event]:
        if day % 14:
            return []
        value = 200.0 * (1.0 - 0.06 * day / YEAR + 0.003 * (warm(day / YEAR) - 25.0)) + jitter()
        return [capacity(day, value)]

    found = run(events, 1100, name="trends.capacity")
    assert found[0].verdict == "too_early"
    assert found[0].grade is Grade.CANNOT_TELL
    assert found[0].value is None
    last = found[-1]
    assert last.verdict == "falling"
    assert last.value == pytest.approx(-6.0, abs=1.0)
    assert last.low is not None
    assert last.high is not None
    assert last.low <= -6.0 <= last.high
    assert details(last)["per_100_full_cycles"] == pytest.approx(-6.0 / 0.365, rel=0.25)
    firm = next(one for one in found if one.verdict != "too_early")
    assert (firm.at.at_ms - START_MS) / DAY_MS > 17 * 30


def test_a_steady_bank_stays_steady() -> None:
    for seed in range(5):
        jitter = noise(seed, 0.0006)
        found = run(lambda day, jitter=jitter: [resistance(day, 0.02 + jitter())], 1100)
        assert {one.verdict for one in found} <= {"too_early", "steady"}


def test_witnesses_are_never_mixed() -> None:
    """Tests of a good bank, and inferred capacities that lie 15 % lower: each alone is steady."""

    def events(day: int) -> list[Event]:
        if day % 30:
            return []
        return [
            capacity(day, 200.0),
            capacity(day, 200.0 if day < 600 else 150.0, "acid_reserve"),
            capacity(day, 170.0, "inferred"),
        ]

    found = run(events, 1000, name="trends.capacity")
    assert {one.verdict for one in found} == {"too_early", "steady"}
    assert "tested" in found[-1].reason
    assert details(found[-1])["median"] == pytest.approx(100.0)


@pytest.mark.parametrize(
    ("name", "event", "verdict"),
    [
        ("trends.resistance", lambda day: resistance(day, 0.02 * (1 + 0.2 * day / YEAR)), "rising"),
        ("trends.rest_volts", lambda day: rest(day, 2.12 - 0.02 * day / YEAR), "falling"),
        ("trends.rest_volts", lambda day: rest(day, 2.12 + 0.02 * day / YEAR), "rising"),
        ("trends.spread", lambda day: spread(day, 0.01 + 0.03 * day / YEAR), "rising"),
        ("trends.tail_current", lambda day: full(day, 1.0 + 2.0 * day / YEAR), "rising"),
    ],
)
def test_each_series_has_its_trend(name: str, event: Callable[[int], Event], verdict: str) -> None:
    found = run(lambda day: [event(day)], 800, every=3, name=name)
    assert found[-1].verdict == verdict


def rest(day: int, volts: float) -> Rested:
    at = START_MS + day * DAY_MS
    return Rested(at, at, 10.0, volts, 0.003, "A", 0.0, warm(day / YEAR), (), "charge", "proven", 1.0, 0.05)


def spread(day: int, volts: float) -> BlocksCompared:
    row = (volts / 2, -volts / 2, 0.0, None)
    return BlocksCompared(START_MS + day * DAY_MS, 0.4, (None,) * 4, (None,) * 4, (None,) * 4, row)


def full(day: int, amps: float) -> BecameFull:
    return BecameFull(START_MS + day * DAY_MS, True, START_MS, 2.467, amps, 25.0, None)


# The date of the end


def test_the_end_of_life_is_dated_with_a_band() -> None:
    """From 98 % by 6 % a year: 80 % is crossed after three years; two are over."""
    jitter = noise(3, 3.0)
    found = run(
        lambda day: (
            [capacity(day, 200.0 * (0.98 - 0.06 * day / YEAR) + jitter(), celsius=25.0)] if day % 10 == 0 else []
        ),
        740,
        name="trends.end_of_life",
    )
    assert found[0].verdict == "no_date"
    last = found[-1]
    assert last.verdict == "date"
    assert last.value == pytest.approx(1.0, abs=0.4)
    assert last.low is not None
    assert last.high is not None
    assert last.low < 1.0 < last.high
    assert "sudden fall" in last.reason
    assert "2028" in last.reason


def test_without_a_fall_there_is_no_date() -> None:
    jitter = noise(4, 3.0)
    found = run(
        lambda day: [capacity(day, 196.0 + jitter(), celsius=25.0)] if day % 30 == 0 else [],
        500,
        name="trends.end_of_life",
    )
    assert {one.verdict for one in found} <= {"no_date", "not_before"}
    assert all("sudden fall" in one.reason for one in found)


def test_four_months_with_tests_make_no_date() -> None:
    found = run(
        lambda day: [capacity(day, 190.0 - 0.1 * day)] if day % 30 == 0 and day < 120 else [],
        200,
        name="trends.end_of_life",
    )
    assert {one.verdict for one in found} == {"no_date"}
    assert {one.grade for one in found} == {Grade.CANNOT_TELL}


def test_an_end_that_is_reached_is_said() -> None:
    found = run(
        lambda day: [capacity(day, 158.0 - 0.02 * day, celsius=25.0)] if day % 30 == 0 else [],
        400,
        name="trends.end_of_life",
    )
    assert found[-1].verdict == "reached"


def test_inferred_capacities_date_nothing() -> None:
    found = run(
        lambda day: [capacity(day, 190.0 - 0.1 * day, "inferred")] if day % 10 == 0 else [],
        400,
        name="trends.end_of_life",
    )
    assert found == []


# Drift


def test_a_step_is_found_within_weeks_and_dated() -> None:
    """Resistance, 2 % of noise from day to day, steps up by 15 % after a year."""
    jitter = noise(5, 0.0004)
    found = run(
        lambda day: [resistance(day, 0.02 * (1.15 if day >= 400 else 1.0) + jitter())], 520, name="trends.drift"
    )
    assert [one.verdict for one in found] == ["steady", "drifting"]
    drift = found[1]
    assert (drift.at.at_ms - START_MS) / DAY_MS <= 400 + 42
    assert drift.since is not None
    assert (drift.since.at_ms - START_MS) / DAY_MS == pytest.approx(400, abs=15)
    assert details(drift)["resistance"] == pytest.approx(3.0, abs=0.6)


def test_a_drift_that_goes_away_is_told() -> None:
    jitter = noise(6, 0.0004)
    found = run(
        lambda day: [resistance(day, 0.02 * (1.2 if 400 <= day < 460 else 1.0) + jitter())], 760, name="trends.drift"
    )
    assert [one.verdict for one in found] == ["steady", "drifting", "steady"]


def test_quiet_years_make_no_alarm() -> None:
    """Twenty years of one series, with memory and seasons that the correction leaves."""
    alarms = 0
    for seed in range(5):
        rng = np.random.default_rng([seed, 50])
        state = [0.0]

        def events(day: int, rng: np.random.Generator = rng, state: list[float] = state) -> list[Event]:
            state[0] = 0.9 * state[0] + float(rng.standard_normal()) * 0.0001
            season = 1.0 - 0.002 * (warm(day / YEAR) - 20.0)
            return [resistance(day, 0.02 * season + state[0])]

        found = run(events, 1460, every=2, name="trends.drift")
        alarms += sum(one.verdict == "drifting" for one in found)
    assert alarms == 0


def test_a_fall_of_resistance_is_no_harm() -> None:
    found = run(lambda day: [resistance(day, 0.02 if day < 400 else 0.015)], 520, name="trends.drift")
    assert [one.verdict for one in found] == ["steady"]


# Acceptance


def ended(start_ms: int, before: float | None, verdict: str = "full_proven") -> ChargeEnded:
    return ChargeEnded(start_ms, start_ms + 8 * 3_600_000, verdict, 80.0, 2.45, 3_600_000, 2.0, before, 25.0)


@pytest.mark.parametrize(
    ("missing", "before", "verdict", "share"),
    [
        (60.0, 48.0, "full_proven", 0.8),
        (60.0, 10.5, "full_likely", 0.175),
        (60.0, 48.0, "ended_early", None),
        (60.0, None, "full_proven", None),
        (20.0, 16.0, "full_proven", None),
        (180.0, 100.0, "full_proven", None),
    ],
)
def test_share_taken_before_the_limit(missing: float, before: float | None, verdict: str, share: float | None) -> None:
    acceptance = Acceptance(ground_of(BANK))
    for position in range(5 * DAY):
        out = missing * min(1.0, position / (4 * DAY))
        full_since = SinceFull(START_MS, True, out, 0.0, 0)
        acceptance.push(Moment(make_frame(BANK, position, 0.0, 50.0), LIMITS, since_full=full_since))
    found = acceptance.share(ended(START_MS + 5 * DAY_MS, before, verdict))
    assert found == (None if share is None else pytest.approx(share))


def test_a_bank_that_sulfates_takes_less_before_the_limit() -> None:
    pipeline = Pipeline(ground_of(BANK), LIMITS, Trends)
    topic = pipeline.topics[0]
    found: list[Finding] = []
    for day in range(0, 800, 3):
        since = SinceFull(START_MS, True, 100.0, 0.0, 0)
        hour = day * DAY - (START_MS // FRAME_MS) % 12 + 11
        frame = make_frame(BANK, hour, -1.0, 50.0)
        found += topic.push(Moment(frame, LIMITS, since_full=since))
        charge = ended(frame.end_ms, 80.0 * (1 - 0.25 * day / YEAR))
        found += topic.push(Moment(make_frame(BANK, hour + 1, 10.0, 56.0), LIMITS, [charge]))
    falling = [one for one in found if one.name == "trends.end_of_charge"]
    assert falling[-1].verdict == "falling"
    assert falling[-1].value == pytest.approx(-20.0, abs=2.0)


# Bounds and restarts


def test_a_restart_every_day_changes_nothing() -> None:
    def events(seed: int) -> Callable[[int], list[Event]]:
        jitter = noise(seed, 0.0004)

        def of(day: int) -> list[Event]:
            one: list[Event] = [resistance(day, 0.02 + jitter() + (0.004 if day > 450 else 0.0)), rest(day, 2.12)]
            return [*one, capacity(day, 190 - day / 20)] if day % 20 == 0 else one

        return of

    straight = run(events(8), 700, every=2)
    assert run(events(8), 700, every=2, restart=True) == straight
    assert len(straight) > 40


def test_months_are_bounded_and_are_medians_of_weeks() -> None:
    series = Thinned()
    months = 0
    for day in range(0, 4000):
        at = START_MS + day * DAY_MS
        months += series.roll(at)[1]
        series.add(Sample(at, 1000.0 if day % 7 == 0 else float(day), None, 0.0))
    assert len(series.months) == KEPT_MONTHS
    assert months == pytest.approx(4000 / 30.44, abs=2)
    values = series.columns()[1]
    assert (np.diff(values) > 15).all()
    assert len(series.week) <= 60


def test_a_series_that_pauses_closes_its_month() -> None:
    series = Thinned()
    series.roll(START_MS)
    series.add(Sample(START_MS, 5.0, None, 0.0))
    week, month = series.roll(START_MS + 200 * DAY_MS)
    assert week is not None
    assert month
    assert [one.value for one in series.months] == [5.0]


def test_a_slope_that_chance_makes_is_not_named() -> None:
    """Noise of 12 % of rated makes slopes above what is named; none of them is told as a trend."""
    slopes = []
    for seed in range(6):
        jitter = noise(seed, 24.0)
        found = run(
            lambda day, jitter=jitter: [capacity(day, 180.0 + jitter(), celsius=25.0)] if day % 30 == 0 else [],
            620,
            name="trends.capacity",
        )
        assert found[-1].verdict == "steady"
        slopes.append(abs(found[-1].value or 0.0))
    assert max(slopes) > 100.0 * LIMITS["trend_capacity_per_year"]


def test_a_cold_winter_after_a_warm_baseline_is_no_drift() -> None:
    """Baseline of 22 warm weeks; then the cold leaves 12 % in the resistance, which the correction may be wrong by."""

    def events(day: int) -> list[Event]:
        celsius = 25.0 if day < 160 else -5.0
        left = 1.0 if day < 160 else 1.12
        return [resistance(day, 0.02 * left * (1.0 + 0.002 * (day % 5)), celsius)]

    found = run(events, 230, name="trends.drift")
    assert [one.verdict for one in found] == ["steady"]
    warm_too = run(lambda day: [resistance(day, events(day)[0].bank_ohms, 25.0)], 230, name="trends.drift")
    assert [one.verdict for one in warm_too] == ["steady", "drifting"]
