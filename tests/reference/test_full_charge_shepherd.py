"""Proofs of full charges against an outside charging law: Shepherd's equation with gas.

C. M. Shepherd, J. Electrochem. Soc. 112 (1965) 657, in the form of J. Schiffer et al., J. Power Sources 168 (2007) 66
(constants and law of gassing from memory of that paper): the overvoltage of charge grows with 1 / what is left.
"""

from __future__ import annotations

from math import exp

import numpy as np
import pytest
from fold_tools import bank as small_bank
from frame_tools import Pipeline, ground_of, limits_of, make_frame

from loggerd.analysis.findings.events import BecameFull
from loggerd.analysis.findings.full_charge import FullCharge
from loggerd.model.bank import Accuracy

RATED = 200.0
BANK = small_bank(rated_amp_hours=RATED)
CELLS = BANK.cells_in_series
GROUND = ground_of(BANK, {"amps": Accuracy(0.005, 0.02), "volts": Accuracy(0.001, 0.01)})
LIMITS = limits_of(absorption_volts_per_cell=2.42)
_MINUTE = 1 / 60


def charged(rng: np.random.Generator, resistive: float, hours: int) -> list[tuple[float, float, float]]:
    """Five-minute means of amps per rated Ah and volts per cell, and the state of charge, from a state of 0.4 on."""
    gas_at = np.exp(rng.uniform(np.log(8.0), np.log(60.0))) * 1e-5
    hold, most, celsius = rng.uniform(2.39, 2.45), rng.uniform(0.05, 0.1), rng.uniform(15.0, 35.0)
    state, frames = 0.4, []
    for _ in range(12 * hours):
        rows = []
        for _ in range(5):
            ohms = 0.42 * resistive * (1 + 0.888 * state / (1.001 - state))
            rest = 2.1 - 0.076 * (1 - state)

            def taken(volts: float, ohms: float = ohms, rest: float = rest) -> tuple[float, float]:
                return (volts - rest) / ohms, gas_at * exp(11 * (volts - 2.23) + 0.06 * (celsius - 20))

            volts = hold
            if sum(taken(hold)) > most:
                low, high = 1.9, hold
                for _ in range(40):
                    volts = (low + high) / 2
                    low, high = (volts, high) if sum(taken(volts)) < most else (low, volts)
            main, gas = taken(volts)
            state = min(state + main * _MINUTE, 1.0)
            rows.append((main + gas, volts))
        frames.append((sum(row[0] for row in rows) / 5, sum(row[1] for row in rows) / 5, state))
    return frames


@pytest.mark.parametrize("sulfated", [False, True])
def test_no_proof_below_95_percent_and_most_healthy_charges_proven(sulfated: bool) -> None:
    rng = np.random.default_rng(20250211 + sulfated)
    states = []
    count = 24
    for _ in range(count):
        rows = charged(rng, rng.uniform(1.7, 2.5) if sulfated else 1.0, 16)
        frames = [make_frame(BANK, row, -10.0, 2.05 * CELLS) for row in range(60)]
        for amps, volts, _ in rows:
            frames.append(make_frame(BANK, len(frames), amps * RATED, volts * CELLS))
        pipeline = Pipeline(GROUND, LIMITS, FullCharge)
        pipeline.run(frames)
        full = [one for one in pipeline.events if isinstance(one, BecameFull) and one.proven]
        if full:
            position = (full[0].at_ms - frames[60].start_ms) // 300_000 - 1
            states.append(rows[position][2])
    assert min(states) > 0.96
    if not sulfated:
        assert len(states) >= 0.8 * count
