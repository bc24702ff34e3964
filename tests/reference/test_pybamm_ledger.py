"""The ledger against PyBaMM's lead-acid models (Sulzer et al. 2019, J. Electrochem. Soc. 166(12) A2363).

Phases must be PyBaMM's own steps (equal signs joined, those shorter than the dwell dropped), amp-hours and watt-hours
its own integrals.
"""

from __future__ import annotations

import numpy as np
import pytest
from fold_tools import bank, fold_arrays, of_ledger
from pybamm_streams import RATED_AMP_HOURS, STRINGS, Step, Stream, random_steps, solve

from loggerd.analysis.plan import Rules
from loggerd.model.ledger import LedgerName

DWELL = Rules().dwell_ms / 1000
SIGNS = {"discharge": -1, "rest": 0, "charge": 1}
CASES = [(seed, model, interval) for seed, (model, interval) in enumerate(
    [(model, interval) for model in ("LOQS", "Full") for interval in (1, 2, 5, 10, 20, 30, 60, 60, 60)]
)]  # fmt: skip


def _bank():
    return bank(rated_amp_hours=RATED_AMP_HOURS)


@pytest.mark.parametrize(("seed", "model", "interval"), CASES)
def test_phases_and_their_amp_hours_are_pybamms(seed: int, model: str, interval: int) -> None:
    stream = solve(random_steps(seed, full=seed % 3 == 0, pulses=False), model)
    phases = of_ledger(fold_arrays(*stream.sampled(interval, seed), _bank()), LedgerName.PHASES)
    truths = stream.phases(DWELL)

    assert [SIGNS[phase.kind] for phase in phases] == [truth.sign for truth in truths]
    for phase, truth in zip(phases, truths, strict=True):
        assert abs(phase.start.at_ms / 1000 - truth.start) <= interval
        assert abs(phase.end.at_ms / 1000 - truth.end) <= interval
        if truth.sign:
            assert phase.figure("amp_hours").value == pytest.approx(truth.amp_hours, rel=0.003)
            assert phase.figure("watt_hours").value == pytest.approx(truth.watt_hours, rel=0.003)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("interval", [1, 10])
def test_pulses_longer_than_two_readings_but_shorter_than_the_dwell(seed: int, interval: int) -> None:
    """Bursts of charge of 30 s inside a discharge are no phase of their own; their charge still counts."""
    stream = solve(random_steps(seed, pulses=True), "LOQS")
    phases = of_ledger(fold_arrays(*stream.sampled(interval, seed), _bank()), LedgerName.PHASES)
    truths = stream.phases(DWELL)

    assert [SIGNS[phase.kind] for phase in phases] == [truth.sign for truth in truths]
    for phase, truth in zip(phases, truths, strict=True):
        if truth.sign:
            assert phase.figure("amp_hours").value == pytest.approx(truth.amp_hours, rel=0.003)
            assert phase.figure("watt_hours").value == pytest.approx(truth.watt_hours, rel=0.003)


@pytest.mark.parametrize(("seed", "model"), [(0, "LOQS"), (3, "Full"), (4, "LOQS"), (7, "Full"), (9, "LOQS")])
def test_cycles_pair_discharge_and_charge(seed: int, model: str) -> None:
    stream = solve(random_steps(seed, full=seed % 3 == 0), model)
    cycles = of_ledger(fold_arrays(*stream.sampled(10, seed), _bank()), LedgerName.CYCLES)

    truths = [truth for truth in stream.phases(DWELL) if truth.sign]
    pairs: list[list[float]] = []
    for truth in truths:
        if truth.sign < 0 and (not pairs or pairs[-1][1] > 0):
            pairs.append([0.0, 0.0, 0.0, 0.0])
        pair = pairs[-1]
        pair[0 if truth.sign < 0 else 1] += truth.amp_hours
        pair[2 if truth.sign < 0 else 3] += truth.watt_hours
    assert len(cycles) == len(pairs)
    assert [cycle.complete for cycle in cycles] == [True] * (len(pairs) - 1) + [False]
    for cycle, (out, back, energy_out, energy_back) in zip(cycles, pairs, strict=True):
        assert cycle.figure("discharge_amp_hours").value == pytest.approx(out, rel=0.003)
        assert cycle.figure("charge_amp_hours").value == pytest.approx(back, rel=0.003)
        assert cycle.figure("discharge_watt_hours").value == pytest.approx(energy_out, rel=0.003)
        assert cycle.figure("charge_watt_hours").value == pytest.approx(energy_back, rel=0.003)
        assert cycle.figure("charge_factor").value == pytest.approx(back / out, rel=0.004)
        assert cycle.figure("watt_hour_efficiency").value == pytest.approx(energy_out / energy_back, rel=0.004)
        assert cycle.figure("depth_of_discharge").value == pytest.approx(out / RATED_AMP_HOURS, rel=0.003)


def _fast_stream(seed: int) -> tuple[Stream, float]:
    """A load that switches faster than two readings, for one to three hours between rests, then a charge."""
    rng = np.random.default_rng(seed)
    interval = float(rng.choice([10, 30, 60]))
    amps = float(rng.uniform(20, 40))
    steps = [Step(0.0, 1800)]
    until = rng.uniform(1, 3) * 3600
    elapsed = 0
    while elapsed < until:
        on, off = (max(2, int(interval * rng.uniform(0.2, 1.6))) for _ in range(2))
        steps += [Step(-amps, on), Step(0.0, off)]
        elapsed += on + off
    steps += [Step(0.0, 1800), Step(1.2 * STRINGS, 3 * 3600)]
    return solve(tuple(steps), "LOQS", period=5.0), interval


@pytest.mark.long
def test_bands_hold_the_truth_when_the_load_is_faster_than_the_readings() -> None:
    """At least 93 % of bands hold PyBaMM's own amp-hours and watt-hours, over all runs."""
    held, runs = 0, 40
    for seed in range(runs):
        stream, interval = _fast_stream(seed)
        cycle = of_ledger(fold_arrays(*stream.sampled(interval, seed), _bank()), LedgerName.CYCLES)[0]
        until = cycle.end.at_ms / 1000
        charged, charged_energy = stream.between(stream.bounds[-2], until)
        net, net_energy = stream.between(cycle.start.at_ms / 1000, until)
        for name, truth in (
            ("discharge_amp_hours", charged - net),
            ("discharge_watt_hours", charged_energy - net_energy),
        ):
            figure = cycle.figure(name)
            assert figure.low is not None
            assert figure.high is not None
            held += figure.low <= truth <= figure.high
    print(f"bands that hold the truth: {held} of {2 * runs}")
    assert held >= 0.93 * 2 * runs
