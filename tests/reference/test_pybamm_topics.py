"""Whole topics against PyBaMM's lead-acid models with a known capacity, aged by changed parameters.

Models: LOQS and Full of V. Sulzer et al., J. Electrochem. Soc. 166(12) (2019) A2363, as shipped with PyBaMM. The truth
is the model's own discharge at the 20-hour rate down to 1.75 V, and its own voltage before and after a load step. These
models do not gas, so that no charge of theirs ends as a real one does: when the bank is full is given.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
import pybamm
import pytest
from fold_tools import bank as small_bank
from frame_tools import START_MS, Pipeline, bank_plan, findings_of, ground_of, limits_of, make_frame
from given_full import FULL_VOLTS, GivenFull

from loggerd.analysis.findings import verdict_of
from loggerd.analysis.findings.capacity import CapacityTopic
from loggerd.analysis.findings.events import Capacity, Rested
from loggerd.analysis.findings.rest_charge import state_of_charge
from loggerd.analysis.findings.swings import Swings
from loggerd.analysis.frames import DAY_MS, Frame
from loggerd.model.bank import Bank
from loggerd.model.finding import Finding

CELLS, END_VOLTS = 24, 1.75
NEW, SMALLER, LOCKED, SLOW = (1.0, 1.0, 1.0), (0.8, 1.0, 1.0), (1.0, 0.8, 1.0), (1.0, 1.0, 0.01)
"""Share of the plates' height, of the acid, of the surface of the plates."""
MODELS = ("Full", "LOQS")
Fade = tuple[float, float, float]

pybamm.set_logging_level("ERROR")


def _solve(model: str, fade: Fade, words: Sequence[str], seconds: float) -> Any:
    built = getattr(pybamm.lead_acid, model)()
    values = built.default_parameter_values
    height, acid, surface = fade
    values.update({"Number of cells connected in series to make a battery": 1})
    values["Electrode height [m]"] *= height
    values["Initial concentration in electrolyte [mol.m-3]"] *= acid
    for side in ("Negative", "Positive"):
        values[f"{side} electrode surface area to volume ratio [m-1]"] *= surface
    experiment = pybamm.Experiment(list(words), period=f"{seconds} seconds")
    return pybamm.Simulation(built, experiment=experiment, parameter_values=values).solve()


@lru_cache(maxsize=256)
def discharge(model: str, fade: Fade, amps: float) -> tuple[np.ndarray, np.ndarray]:
    """Amp-hours drawn and volts of a cell, from full down to END_VOLTS."""
    # LOQS does not stop at a voltage by itself: its curve is cut where it comes to it.
    words = f"Discharge at {amps:.6f} A for {24 / amps:.3f} hours or until {END_VOLTS} V"
    solution = _solve(model, fade, [words], 120.0)
    drawn, volts = amps * solution["Time [h]"].entries, solution["Voltage [V]"].entries
    over = np.flatnonzero(~(volts > END_VOLTS))
    last = int(over[0]) if len(over) else len(volts) - 1
    end = float(np.interp(-END_VOLTS, -volts[last - 1 : last + 1], drawn[last - 1 : last + 1]))
    return np.append(drawn[:last], end), np.append(volts[:last], END_VOLTS)


@lru_cache(maxsize=2)
def rating(model: str) -> float:
    """Amp-hours of a new cell at the 20-hour rate: a few rounds, since the current follows from it."""
    amp_hours = 21.0
    for _ in range(3):
        amp_hours = float(discharge(model, NEW, amp_hours / 20)[0][-1])
    return amp_hours


def truth(model: str, fade: Fade) -> float:
    return float(discharge(model, fade, rating(model) / 20)[0][-1])


def bank_of(model: str) -> Bank:
    return small_bank(rated_amp_hours=rating(model), blocks=4, cells=6)


def cycle(model: str, fade: Fade, amps: float, depth: float, start: int, rng: np.random.Generator) -> list[Frame]:
    """A full hour, a discharge as read by a meter with noise and a constant error, to END_VOLTS or to a share of what
    the cell has; a recharge until full."""
    bank = bank_of(model)
    drawn, volts = discharge(model, fade, amps)
    frames = [make_frame(bank, start + number, 0.01 * rating(model), FULL_VOLTS) for number in range(12)]
    grid = np.arange(0.0, depth * float(drawn[-1]) + amps / 12, amps / 12)
    read = CELLS * (np.interp(grid, drawn, volts, right=1.70) + rng.normal(0, 0.0015))
    for number, one in enumerate((read + rng.normal(0, 0.01, len(read))).tolist()):
        frames.append(make_frame(bank, start + 12 + number, -amps, one))
    begin = start + 12 + len(grid)
    back = round(1.15 * float(grid[-1]) / (rating(model) / 10 / 12))
    return frames + [make_frame(bank, begin + number, rating(model) / 10, 54.0) for number in range(back)]


def judged(model: str, cycles: Sequence[tuple[Fade, float, float]], seed: int) -> tuple[list[Finding], list[Capacity]]:
    """Findings and events of one cycle after the other: fade, amperes, depth."""
    rng, frames = np.random.default_rng(seed), list[Frame]()
    for fade, amps, depth in cycles:
        frames += cycle(model, fade, amps, depth, len(frames), rng)
    frames += [make_frame(bank_of(model), len(frames) + number, 0.0, FULL_VOLTS) for number in range(3)]
    limits = limits_of(peukert_exponent=1.04, rating_celsius=25.0, end_volts_per_cell=END_VOLTS)
    pipeline = Pipeline(ground_of(bank_of(model)), limits, GivenFull, Swings, CapacityTopic)
    found = pipeline.run(frames)
    return found, [event for event in pipeline.events if isinstance(event, Capacity)]


@pytest.mark.parametrize("fade", [NEW, SMALLER, LOCKED, SLOW])
@pytest.mark.parametrize("model", MODELS)
def test_a_discharge_to_the_end_tells_every_kind_of_fade_within_five_percent(model: str, fade: Fade) -> None:
    found, events = judged(model, [(fade, rating(model) / 18, 1.0)], seed=3)
    (event,) = [one for one in events if one.witness == "observed"]
    (told,) = [one for one in found if one.name == "capacity.observed"]
    assert told.value == pytest.approx(truth(model, fade), rel=0.05)
    assert event.low <= truth(model, fade) <= event.high
    assert (told.verdict == "sound") == (fade is NEW)


@pytest.mark.parametrize("fade", [(0.9, 1.0, 1.0), (0.75, 1.0, 1.0), (1.0, 1.0, 0.1)])
@pytest.mark.parametrize("model", MODELS)
def test_a_shorter_discharge_is_within_a_tenth_after_one_to_the_end(model: str, fade: Fade) -> None:
    amps = rating(model) / 18
    found, events = judged(model, [(NEW, amps, 1.0), (fade, amps, 0.75)], seed=5)
    inferred = [one for one in events if one.witness == "inferred"]
    assert inferred, [one.reason for one in found if one.name == "capacity.inferred"]
    assert inferred[-1].amp_hours == pytest.approx(truth(model, fade), rel=0.10)
    assert inferred[-1].low <= truth(model, fade) <= inferred[-1].high


def test_bands_of_the_whole_topic_hold_the_truth_in_93_of_100_runs() -> None:
    rng = np.random.default_rng(21)
    held = []
    for run in range(40):
        model = MODELS[run % 2]
        kind = int(rng.integers(3))
        by = float(rng.uniform(0.7, 1.0))
        fade = ((by, 1.0, 1.0), (1.0, max(by, 0.8), 1.0), (1.0, 1.0, 10 ** float(rng.uniform(-2, 0))))[kind]
        _, events = judged(model, [(fade, rating(model) / float(rng.uniform(12, 30)), 1.0)], seed=run)
        held += [one.low <= truth(model, fade) <= one.high for one in events if one.witness == "observed"]
    assert len(held) >= 36
    assert np.mean(held) >= 0.93


@lru_cache(maxsize=32)
def _rested(model: str, fade: Fade, drawn: float) -> float:
    """Volts of a cell six hours after amp-hours were drawn from full."""
    solution = _solve(model, fade, [f"Discharge at 1 A for {drawn:.4f} hours", "Rest for 6 hours"], 600.0)
    return float(solution["Voltage [V]"].entries[-1])


@pytest.mark.parametrize(("fade", "verdict"), [(LOCKED, "fallen"), (SMALLER, "")])
@pytest.mark.parametrize("model", MODELS)
def test_locked_acid_shows_when_full_and_a_smaller_cell_does_not(model: str, fade: Fade, verdict: str) -> None:
    """The table of rested voltages is the new cell's own, as a keeper would enter the maker's."""
    shares = {"full": 0.02, "75": 0.25, "50": 0.5, "25": 0.75, "flat": 0.97}
    own = {f"rest_volts_{left}": _rested(model, NEW, out * rating(model)) for left, out in shares.items()}
    limits = limits_of(**own)
    pipeline = Pipeline(ground_of(bank_of(model)), limits, GivenFull, CapacityTopic)
    found: list[Finding] = []
    for number, one in enumerate([NEW] * 3 + [fade] * 3):
        volts = _rested(model, one, 0.02 * rating(model))
        frame = make_frame(bank_of(model), 300 * number, 0.0, CELLS * volts)
        rested = Rested(
            frame.start_ms, frame.end_ms, 6.0, volts, 0.003, "A", 0.0, 25.0, (), "charge", "proven",
            state_of_charge(volts, limits), 0.03,
        )  # fmt: skip
        found += pipeline.run([frame], {frame.number: [rested]})
    when_full = [one for one in found if one.name == "capacity.acid_when_full"]
    assert when_full[-1].verdict == (verdict or "read")
    if verdict:
        assert when_full[-1].value == pytest.approx(100 * truth(model, fade) / rating(model), abs=10)
    else:
        # What cannot see the fade says nothing for or against the capacity.
        assert verdict_of(when_full[-1]).weight == 0
        assert "capacity" not in verdict_of(when_full[-1]).says.lower()


@pytest.mark.parametrize("surface", [1.0, 0.05])
@pytest.mark.parametrize("model", MODELS)
def test_resistance_is_the_models_own_voltage_by_current_of_load_steps(model: str, surface: float) -> None:
    """Loads that come and go, read each second with noise; dV/dI of the model from the second before to after."""
    amps = (0.4, 2.4)
    words = [word for _ in range(30) for word in (f"Discharge at {amps[0]} A for 90 seconds",
                                                  f"Discharge at {amps[1]} A for 90 seconds")]  # fmt: skip
    solution = _solve(model, (1.0, 1.0, surface), words, 1.0)
    at, first = np.unique(solution["Time [s]"].entries, return_index=True)
    volts, current = solution["Voltage [V]"].entries[first], solution["Current [A]"].entries[first]
    rises = 180.0 * np.arange(30) + 90.0
    drop = np.interp(rises - 0.5, at, volts) - np.interp(rises + 0.5, at, volts)
    true_ohms = CELLS * float(np.median(drop / (amps[1] - amps[0])))
    rng, bank = np.random.default_rng(8), bank_of(model)
    grid = np.arange(0.5, float(at[-1]), 1.0)
    # A day later a reading ends the day of the steps.
    times = START_MS // DAY_MS * DAY_MS + DAY_MS // 2 + np.append(grid * 1000.0, DAY_MS).astype(np.int64)
    columns = {
        "amps": np.append(-np.interp(grid, at, current), -amps[0]) + rng.normal(0, 0.002, len(times)),
        "volts": CELLS * np.append(np.interp(grid, at, volts), volts[-1]) + rng.normal(0, 0.002, len(times)),
        "block_1_celsius": np.full(len(times), 25.0),
    }
    found = findings_of(bank_plan(bank, list(columns)), times, columns, interval_ms=1000)
    told = [one for one in found if one.name == "resistance.bank" and one.value is not None]
    assert told, [(one.name, one.verdict, one.reason) for one in found]
    assert told[-1].value == pytest.approx(1000 * true_ohms, rel=0.05)
    assert told[-1].low is not None and told[-1].high is not None
    assert told[-1].low <= 1000 * true_ohms <= told[-1].high
