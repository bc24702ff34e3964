"""A discharge that stopped early, stretched onto the bank's own curve down to the end voltage.

V(q) = Vref(q / s) - d: `s` says how much less there is in the bank, `d` takes a resistance that has changed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from loggerd.analysis.findings.capacity_run import Curve
from loggerd.analysis.frames import Floats

_BEGIN = 0.04
"""Share of the reference that is left out at the start, where the voltage dips and recovers."""
_LEAST_POINTS = 15
_MOST = 1.5
_GOLDEN = (math.sqrt(5) - 1) / 2


@dataclass(frozen=True)
class Stretch:
    """`scale`, `drop_volts` per cell, the root mean square of what is left [V per cell], and the capacity [Ah]."""

    scale: float
    drop_volts: float
    left_volts: float
    amp_hours: float


def stretched(seen: Curve, reference: Curve, end_volts: float, cell_ohms: float | None) -> Stretch | None:
    """The stretch that fits best; None with too few points, or where none fits within bounds.

    `reference`: a curve that reaches `end_volts` per cell. `cell_ohms`: takes out changes of the current within each
    discharge; None leaves them.
    """
    ref_q, ref_v = _levelled(reference, cell_ohms)
    if ref_q[-1] < reference.amp_hours:
        ref_q, ref_v = np.append(ref_q, reference.amp_hours), np.append(ref_v, min(end_volts, ref_v[-1]))
    q, v = _levelled(seen, cell_ohms)
    begins = q >= _BEGIN * reference.amp_hours
    q, v = q[begins], v[begins]
    if len(q) < _LEAST_POINTS:
        return None
    low, high = max(float(q[-1]) / float(ref_q[-1]), 0.2), _MOST
    if low >= high:
        return None
    scale = _best_scale(q, v, ref_q, ref_v, (low, high))
    if scale > high - 1e-3:
        return None
    drop, left = _fit(scale, q, v, ref_q, ref_v)
    crossing = _crossing(ref_q, ref_v, end_volts + drop)
    return Stretch(scale, drop, left, max(scale * crossing, float(q[-1])))


def _levelled(curve: Curve, cell_ohms: float | None) -> tuple[Floats, Floats]:
    """Amp-hours (n,) and volts per cell (n,) as they would be at the mean current; the volts never rise."""
    points = np.array(curve.points, dtype=np.float64).reshape(-1, 3)
    volts = points[:, 1]
    if cell_ohms is not None:
        volts = volts + cell_ohms * (points[:, 2] - curve.amps)
    return points[:, 0], volts


def _fit(scale: float, q: Floats, v: Floats, ref_q: Floats, ref_v: Floats) -> tuple[float, float]:
    away = np.interp(q / scale, ref_q, ref_v) - v
    drop = float(away.mean())
    return drop, float(np.sqrt(((away - drop) ** 2).mean()))


def _best_scale(q: Floats, v: Floats, ref_q: Floats, ref_v: Floats, bounds: tuple[float, float]) -> float:
    """Coarse steps first, since there may be several dips, then the golden section around the best."""
    steps = np.linspace(*bounds, 45)
    misfits = [_fit(float(one), q, v, ref_q, ref_v)[1] for one in steps]
    best = int(np.argmin(misfits))
    low, high = float(steps[max(best - 1, 0)]), float(steps[min(best + 1, len(steps) - 1)])
    for _ in range(30):
        first, second = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
        if _fit(first, q, v, ref_q, ref_v)[1] <= _fit(second, q, v, ref_q, ref_v)[1]:
            high = second
        else:
            low = first
    return (low + high) / 2


def _crossing(ref_q: Floats, ref_v: Floats, volts: float) -> float:
    """Amp-hours at which the reference comes down to `volts` for good; its end where it does not."""
    above = np.flatnonzero(ref_v > volts)
    if not len(above):
        return float(ref_q[0])
    last = int(above[-1])
    if last == len(ref_q) - 1:
        return float(ref_q[-1])
    share = (ref_v[last] - volts) / (ref_v[last] - ref_v[last + 1])
    return float(ref_q[last] + share * (ref_q[last + 1] - ref_q[last]))
