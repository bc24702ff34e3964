"""Streams made with PyBaMM's lead-acid models, with PyBaMM's own integrals as the truth.

Models: LOQS and Full of V. Sulzer et al., J. Electrochem. Soc. 166(12) (2019) A2363, as shipped with PyBaMM.
The cell is simulated alone; voltage is multiplied to strings of 24 cells, current to 12 strings in parallel.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pybamm

CELLS = 24
STRINGS = 12
CELL_AMP_HOURS = 17.0
RATED_AMP_HOURS = CELL_AMP_HOURS * STRINGS
NOISE_AMPS = 0.05
NOISE_VOLTS = 0.005

pybamm.set_logging_level("ERROR")


@dataclass(frozen=True)
class Step:
    """One step: amps (charge positive) for a number of seconds."""

    amps: float
    seconds: int

    @property
    def sign(self) -> int:
        return (self.amps > 0) - (self.amps < 0)


@dataclass(frozen=True)
class Truth:
    """A phase by PyBaMM: sign, times in seconds, amp-hours and watt-hours as magnitudes."""

    sign: int
    start: float
    end: float
    amp_hours: float
    watt_hours: float


@dataclass(frozen=True)
class Stream:
    """The solved run: t [s], amps charge positive, bank volts, on the solver's own fine grid; and its steps."""

    steps: tuple[Step, ...]
    t: np.ndarray
    amps: np.ndarray
    volts: np.ndarray
    amp_hours: np.ndarray
    watt_hours: np.ndarray
    bounds: tuple[float, ...]

    def sampled(self, interval: float, seed: int, noise: bool = True, late: bool = True) -> tuple[np.ndarray, ...]:
        """t, amps, volts at every interval. A sample at the instant of a switch sees the state before or
        after it.
        """
        rng = np.random.default_rng(seed)
        t = np.arange(0.0, self.t[-1] + 1e-6, interval)
        inside = t - 1e-4 if late else t + 1e-4
        side = np.clip(np.searchsorted(self.bounds, inside, side="right") - 1, 0, len(self.steps) - 1)
        amps = np.array([step.amps for step in self.steps])[side]
        volts = np.interp(np.clip(inside, 0, self.t[-1]), self.t, self.volts)
        if noise:
            amps = amps + rng.normal(0, NOISE_AMPS, len(t))
            volts = volts + rng.normal(0, NOISE_VOLTS, len(t))
        return t, amps, volts

    def between(self, start: float, end: float) -> tuple[float, float]:
        """PyBaMM's integral of current [Ah] and power [Wh] between two times, charge positive."""
        charge = np.interp([start, end], self.t, self.amp_hours)
        energy = np.interp([start, end], self.t, self.watt_hours)
        return float(charge[1] - charge[0]), float(energy[1] - energy[0])

    def phases(self, dwell_seconds: float) -> list[Truth]:
        """Steps of equal sign joined, those shorter than the dwell dropped (and their time given to the one
        before).
        """
        joined: list[list[float]] = []
        for step, start, end in zip(self.steps, self.bounds[:-1], self.bounds[1:], strict=True):
            if joined and joined[-1][0] == step.sign:
                joined[-1][2] = end
            else:
                joined.append([step.sign, start, end])
        kept: list[list[float]] = []
        for sign, start, end in joined:
            if kept and (kept[-1][0] == sign or end - start < dwell_seconds):
                kept[-1][2] = end
            else:
                kept.append([sign, start, end])
        truths = []
        for sign, start, end in kept:
            charge, energy = self.between(start, end)
            truths.append(Truth(int(sign), start, end, abs(charge), abs(energy)))
        return truths


@lru_cache(maxsize=64)
def solve(steps: tuple[Step, ...], model: str, period: float = 10.0) -> Stream:
    """Run the steps with the LOQS or Full model from a full cell."""
    built = getattr(pybamm.lead_acid, model)()
    values = built.default_parameter_values
    values.update({"Number of cells connected in series to make a battery": 1})
    words = []
    for step in steps:
        if step.sign == 0:
            words.append(f"Rest for {step.seconds} seconds")
        else:
            verb = "Charge" if step.amps > 0 else "Discharge"
            words.append(f"{verb} at {abs(step.amps) / STRINGS:.6f} A for {step.seconds} seconds")
    experiment = pybamm.Experiment(words, period=f"{period} seconds")
    solution = pybamm.Simulation(built, experiment=experiment, parameter_values=values).solve()
    t = solution["Time [s]"].entries
    amps = -solution["Current [A]"].entries * STRINGS
    volts = solution["Voltage [V]"].entries * CELLS
    step_t = np.diff(t, prepend=t[0])
    charge = np.cumsum(np.r_[0.0, (amps[1:] + amps[:-1]) / 2 * step_t[1:]]) / 3600
    power = amps * volts
    energy = np.cumsum(np.r_[0.0, (power[1:] + power[:-1]) / 2 * step_t[1:]]) / 3600
    bounds = np.r_[0.0, np.cumsum([step.seconds for step in steps])]
    return Stream(steps, t, amps, volts, charge, energy, tuple(bounds.tolist()))


def random_steps(seed: int, full: bool = False, pulses: bool = False, shortest: int = 600) -> tuple[Step, ...]:
    """A random day of partial (or deep) cycles, within what the model's cell can carry."""
    rng = np.random.default_rng(seed)
    steps: list[Step] = []
    level = RATED_AMP_HOURS
    for _ in range(int(rng.integers(2, 5))):
        depth = float(rng.uniform(0.6, 0.85) if full else rng.uniform(0.1, 0.35)) * RATED_AMP_HOURS
        depth = min(depth, level - 1.5 * STRINGS)
        amps = float(rng.uniform(1.0, 3.5)) * STRINGS
        pieces = int(rng.integers(1, 4))
        for _piece in range(pieces):
            seconds = max(shortest, int(depth / pieces / amps * 3600) // 60 * 60)
            steps.append(Step(-amps, seconds))
            level -= amps * seconds / 3600
            if pulses:
                burst = float(rng.uniform(2.0, 5.0)) * STRINGS
                steps.extend([Step(burst, 30), Step(-amps, shortest)])
                level += burst * 30 / 3600 - amps * shortest / 3600
            if rng.random() < 0.5:
                steps.append(Step(0.0, int(rng.integers(shortest // 60, 90)) * 60))
        amps = float(rng.uniform(0.9, 2.0)) * STRINGS
        share = float(rng.uniform(0.7, 0.95))
        seconds = max(shortest, int((RATED_AMP_HOURS - level) * share / amps * 3600) // 60 * 60)
        steps.append(Step(amps, seconds))
        level += amps * seconds / 3600
        if rng.random() < 0.7:
            steps.append(Step(0.0, int(rng.integers(shortest // 60, 180)) * 60))
    return tuple(steps)
