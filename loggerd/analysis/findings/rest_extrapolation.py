"""Where the voltage of a resting bank comes to: by the bank's own curve, by its slope, or by a sum of exponentials.

Own study on simulated and synthetic rests: an hour with the bank's own curve is worth more than four with a formula.
Voltage on a logarithmic axis of time: J. H. Aylor, A. Thieme, B. W. Johnson, IEEE Trans. Ind. Electron. 39 (1992) 398.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log, log10

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

GRID_MINUTES = (5, 10, 20, 30, 45, 60, 90, 120, 180, 240, 360, 480, 720)
"""Times of a curve; all rests are read at these."""
_SETTLED_MINUTES = 480
_EARLY = slice(0, 4)
_TIME_CONSTANTS = (4.0, 16.0, 64.0, 256.0)
_RIDGE = 0.05
_LEAST_CURVES = 5
_LEAST_RELAXATION = 0.003
_BOUND_MINUTES = (30, 60, 120, 240, 480, 720)
_FORMULA_BOUNDS = (0.020, 0.015, 0.011, 0.006, 0.004, 0.003)
"""95 % half widths [V per cell] of the formulas; those of an hour, two and four from the study, the others own."""
_CURVE_BOUNDS = (0.007, 0.0044, 0.0028, 0.0014, 0.0014, 0.0014)
"""The same with the bank's own curve: twice the deviations of the study."""
_FLOOR = 0.002
_SLOW_AFTER_CHARGE = 1.5
"""Surface charge of a charge goes more slowly than the study's curves; own choice."""


@dataclass(frozen=True)
class Settled:
    """Voltage per cell that a rest comes to, with its 95 % half width; `by`: "reading", "curve" or "formula"."""

    volts: float
    half_width: float
    by: str


def nonnegative_least_squares(matrix: Floats, values: Floats) -> Floats:
    """x >= 0 (n,) that minimizes |matrix x - values|; matrix (m, n).

    Active sets: C. L. Lawson, R. J. Hanson, Solving Least Squares Problems (1974), chapter 23.
    """
    count = matrix.shape[1]
    chosen = np.zeros(count, dtype=bool)
    x = np.zeros(count)
    tolerance = 1e-12 * max(1.0, float(np.abs(matrix).sum()))
    for _ in range(10 * count):
        gain = matrix.T @ (values - matrix @ x)
        gain[chosen] = -np.inf
        if chosen.all() or gain.max() <= tolerance:
            break
        chosen[int(np.argmax(gain))] = True
        x = _inside(matrix, values, chosen, x)
    return x


def _inside(matrix: Floats, values: Floats, chosen: npt.NDArray[np.bool_], x: Floats) -> Floats:
    """The free solution over the chosen columns; those that would turn negative are let go one by one."""
    while True:
        trial = np.zeros(len(x))
        trial[chosen] = np.linalg.lstsq(matrix[:, chosen], values, rcond=None)[0]
        if not (trial[chosen] <= 0).any():
            return trial
        falling = chosen & (trial <= 0)
        step = float((x[falling] / np.maximum(x[falling] - trial[falling], 1e-300)).min())
        x = x + step * (trial - x)
        chosen &= x > 1e-15
        x[~chosen] = 0.0


def extrapolate(volts: Sequence[float], curves: Sequence[Sequence[float]], after_charge: bool) -> Settled:
    """Where a rest comes to. `volts` per cell at the first GRID_MINUTES; `curves`: earlier whole rests alike.

    Raises ValueError with less than four of them, which is half an hour.
    """
    minutes = GRID_MINUTES[: len(volts)]
    if len(volts) <= 3:
        raise ValueError("a rest of less than half an hour")
    known = np.asarray(volts, dtype=float)
    if len(curves) >= _LEAST_CURVES and len(volts) < len(GRID_MINUTES):
        shapes = [shape for curve in curves if (shape := _shape(curve)) is not None]
        if len(shapes) >= _LEAST_CURVES:
            return _by_curve(known, np.array(shapes), minutes[-1])
    bound = _bound(minutes[-1], _FORMULA_BOUNDS) * (_SLOW_AFTER_CHARGE if after_charge else 1.0)
    if minutes[-1] >= _SETTLED_MINUTES:
        return Settled(float(known[-1]), bound, "reading")
    value = _by_exponentials(known, minutes) if minutes[-1] >= 240 else _by_slope(known, minutes)
    return Settled(value, bound, "formula")


def _bound(minutes: float, bounds: Sequence[float]) -> float:
    return float(np.interp(log(minutes), [log(one) for one in _BOUND_MINUTES], bounds))


def _shape(curve: Sequence[float]) -> Floats | None:
    """A whole rest, 0 at its end and 1 in its first half hour; None where hardly anything relaxed."""
    volts = np.asarray(curve, dtype=float) - curve[-1]
    size = float(volts[_EARLY].mean())
    return volts / size if abs(size) >= _LEAST_RELAXATION else None


def _by_curve(volts: Floats, shapes: Floats, minutes: int) -> Settled:
    """volts = end + size * shape, by least squares; what the bank's own curves differ by widens the band."""
    found = [_fit(volts, shape) for shape in (np.median(shapes, axis=0), *shapes)]
    spread = 2.0 * float(np.std(found[1:], ddof=1))
    return Settled(found[0], max(_bound(minutes, _CURVE_BOUNDS), spread, _FLOOR), "curve")


def _fit(volts: Floats, shape: Floats) -> float:
    along = shape[: len(volts)]
    apart = along - along.mean()
    size = float(apart @ volts) / max(float(apart @ apart), 1e-12)
    return float(volts.mean() - size * along.mean())


def _by_slope(volts: Floats, minutes: Sequence[int]) -> float:
    """The slope per decade of the last decade, carried on to eight hours."""
    logs = np.array([log10(one) for one in minutes])
    last = logs >= logs[-1] - 1.0
    slope = float(np.polyfit(logs[last], volts[last], 1)[0])
    return float(volts[-1] + slope * (log10(_SETTLED_MINUTES) - logs[-1]))


def _by_exponentials(volts: Floats, minutes: Sequence[int]) -> float:
    """volts = end + sum of exponentials of one sign, damped."""
    taus = [tau for tau in _TIME_CONSTANTS if tau <= 2 * minutes[-1]]
    times = np.array(minutes, dtype=float)
    falls = np.exp(-times[:, None] / np.array(taus))
    sign = 1.0 if volts[0] >= volts[-1] else -1.0
    # The end is free: it is the last reading and what is still to come, of either sign.
    columns = np.column_stack([np.ones(len(times)), -np.ones(len(times)), sign * falls])
    ridge = np.zeros((len(taus), columns.shape[1]))
    ridge[:, 2:] = np.eye(len(taus)) * (0.001 / _RIDGE)
    matrix = np.vstack([columns, ridge])
    values = np.concatenate([volts - volts[-1], np.zeros(len(taus))])
    x = nonnegative_least_squares(matrix, values)
    return float(volts[-1] + x[0] - x[1])
