"""Amp-hours against change of state between rests: the estimator, its band, and what is refused."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import pytest
from fold_tools import bank as small_bank
from frame_tools import Pipeline, ground_of, limits_of, make_frame
from scipy import optimize, stats

from loggerd.analysis.findings.acid_reserve import Leg, Reserve, reserve_of
from loggerd.analysis.findings.capacity import CapacityTopic
from loggerd.analysis.findings.events import Event, Rested
from loggerd.analysis.frames import Frame
from loggerd.model.finding import Finding

BANK = small_bank(rated_amp_hours=100.0)
LIMITS = limits_of()


def legs_of(rng: np.random.Generator, rests: int, reserve: float = 100.0, noise: float = 0.015) -> list[Leg]:
    """A bank that goes up and down between 30 and 95 %, each rest read with noise."""
    true = np.where(np.arange(rests) % 2 == 0, rng.uniform(0.75, 0.95, rests), rng.uniform(0.3, 0.5, rests))
    read = true + rng.normal(0, noise, rests)
    moved = reserve * np.diff(true) + rng.normal(0, 0.3, rests - 1)
    return [Leg(read[one], noise, read[one + 1], noise, moved[one], 0.3, one > 0) for one in range(rests - 1)]


def dense(legs: Sequence[Leg], log_ah: float) -> float:
    """The same cost with the whole covariance matrix written out."""
    ah, count = float(np.exp(log_ah)), len(legs)
    matrix = np.zeros((count, count))
    for one, leg in enumerate(legs):
        matrix[one, one] = ah**2 * (leg.state_error**2 + leg.next_error**2) + leg.amp_hours_error**2
        if one and leg.follows:
            matrix[one, one - 1] = matrix[one - 1, one] = -(ah**2) * leg.state_error**2
    residuals = np.array([leg.amp_hours - ah * (leg.next_state - leg.state) for leg in legs])
    return float(residuals @ np.linalg.solve(matrix, residuals))


def made(legs: Sequence[Leg]) -> Reserve:
    reserve = reserve_of(legs)
    assert reserve is not None
    return reserve


@pytest.mark.parametrize("rests", [4, 9, 32])
def test_it_is_the_minimum_that_scipy_finds(rests: int) -> None:
    rng = np.random.default_rng(rests)
    for _ in range(5):
        legs = legs_of(rng, rests)
        legs[len(legs) // 2] = Leg(**{**vars(legs[len(legs) // 2]), "follows": False})
        found = made(legs)
        best = optimize.minimize_scalar(lambda one, some=legs: dense(some, one), bounds=(3.5, 5.5), method="bounded")
        assert found.amp_hours == pytest.approx(np.exp(best.x), rel=1e-3)
        allowed = best.fun + stats.f.ppf(0.95, 1, len(legs) - 1) * max(1.0, best.fun / (len(legs) - 1))
        assert dense(legs, float(np.log(found.low))) == pytest.approx(allowed, rel=1e-3)
        assert dense(legs, float(np.log(found.high))) == pytest.approx(allowed, rel=1e-3)


@pytest.mark.parametrize("rests", [4, 12])
def test_the_band_holds_the_truth(rests: int) -> None:
    rng = np.random.default_rng(100 + rests)
    held, values = 0, []
    for _ in range(150):
        found = made(legs_of(rng, rests))
        held += found.low <= 100.0 <= found.high
        values.append(found.amp_hours)
    assert held >= 0.93 * 150
    assert np.mean(values) == pytest.approx(100.0, rel=0.01)


def test_errors_in_the_state_do_not_pull_it_down() -> None:
    """Plain least squares, which knows only errors of the amp-hours, reads too low."""
    rng = np.random.default_rng(6)
    gls, plain = [], []
    for _ in range(60):
        legs = legs_of(rng, 20, noise=0.06)
        x = np.array([leg.next_state - leg.state for leg in legs])
        y = np.array([leg.amp_hours for leg in legs])
        gls.append(made(legs).amp_hours)
        plain.append(float((x * y).sum() / (x * x).sum()))
    assert abs(np.mean(gls) - 100) < 0.5 * abs(np.mean(plain) - 100)
    assert np.mean(plain) < 98


def test_too_little_is_refused() -> None:
    rng = np.random.default_rng(1)
    assert reserve_of(legs_of(rng, 2)) is None
    backwards = [Leg(0.9, 0.01, 0.5, 0.01, 40.0, 0.1, False), Leg(0.5, 0.01, 0.9, 0.01, -40.0, 0.1, True)]
    assert reserve_of(backwards) is None


def rested(frame: Frame, state: float, after_full: str = "", grade: str = "A") -> Rested:
    return Rested(
        frame.start_ms, frame.end_ms, 9.0, 2.0, 0.003, grade, 0.0, 25.0, (), "discharge", after_full, state, 0.02
    )


def story(
    states: Sequence[float], reserve: float = 100.0, volts: float = 50.0, full: bool = False
) -> tuple[list[Frame], dict[int, list[Event]]]:
    """A rest at each of the states, with the amp-hours of the change between them, four hours each."""
    frames: list[Frame] = []
    events: dict[int, list[Event]] = {}
    for before, state in zip([states[0], *states[:-1]], states, strict=True):
        amps = (state - before) * reserve / 4
        for _ in range(48):
            frames.append(make_frame(BANK, len(frames), amps, volts if amps > 0 else 49.0))
        frames.append(make_frame(BANK, len(frames), 0.0, 50.0))
        events[frames[-1].number] = [rested(frames[-1], state, "proven" if full else "")]
    return frames, events


def judge(frames: Iterable[Frame], events: dict[int, list[Event]]) -> list[Finding]:
    return Pipeline(ground_of(BANK), LIMITS, CapacityTopic).run(frames, events)


def about(found: Iterable[Finding], name: str) -> list[Finding]:
    return [one for one in found if one.name == name]


SWINGS = [0.9, 0.4, 0.9, 0.4, 0.85, 0.45, 0.9, 0.35, 0.9, 0.4]


def test_it_is_read_and_never_called_capacity() -> None:
    found = about(judge(*story(SWINGS, 80.0)), "capacity.acid_reserve")
    assert found[-1].verdict == "read"
    assert found[-1].value == pytest.approx(80, rel=0.03)
    assert "not what the plates give" in found[-1].reason


def test_charges_that_gas_do_not_count() -> None:
    found = about(judge(*story(SWINGS, 80.0, volts=60.0)), "capacity.acid_reserve")
    assert found[-1].value == pytest.approx(80, rel=0.03)
    legs = next(one for one in found[-1].details if one.name == "legs")
    assert legs.value is not None and legs.value <= 5


def test_a_narrow_span_says_what_is_missing() -> None:
    found = about(judge(*story([0.9, 0.7] * 5)), "capacity.acid_reserve")
    assert found[-1].verdict == "cannot_tell"
    assert "30 %" in found[-1].reason


def test_acid_that_does_not_come_back_when_full_is_told_as_sulfate() -> None:
    found = about(judge(*story([1.0, 0.99, 1.0, 0.93, 0.88, 0.85, 0.84, 0.84], full=True)), "capacity.acid_when_full")
    assert found[0].verdict == "read"
    assert found[-1].verdict == "fallen"
    assert found[-1].value == pytest.approx(84, abs=1.1)


def test_the_ring_of_rests_does_not_grow() -> None:
    frames, events = story(SWINGS * 5)
    pipeline = Pipeline(ground_of(BANK), LIMITS, CapacityTopic)
    pipeline.run(frames, events)
    assert len(pipeline.topics[0].to_plain()["rests"]["rests"]) == 32
