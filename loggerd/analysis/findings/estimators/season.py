"""Takes the season out of a series by its temperature: least squares with what is known of the coefficient before.

The coefficient cannot be told from the trend in a short series; with a prior it is held where theory has it, and the
data move it when they can (Bayesian linear regression, normal prior).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def temperature_slope(x: Floats, y: Floats, celsius: Floats, prior: float, prior_sd: float) -> float:
    """Change of y per kelvin, beside a straight line in x. All (n,), n >= 1; the prior is normal."""
    if len(x) < 4:
        return prior
    warm = celsius - celsius.mean()
    design = np.column_stack([np.ones_like(x), x - x.mean(), warm])
    weight = 0.0
    slope = prior
    # The noise is not known: once with the prior's slope to learn it, and twice with what was learned.
    for _ in range(3):
        left = y - slope * warm
        line = design[:, :2] @ np.linalg.lstsq(design[:, :2], left, rcond=None)[0]
        noise2 = float(((left - line) ** 2).sum()) / max(len(x) - 3, 1)
        weight = noise2 / prior_sd**2 if prior_sd > 0.0 else np.inf
        if not np.isfinite(weight):
            return prior
        normal = design.T @ design
        normal[2, 2] += weight
        right = design.T @ y
        right[2] += weight * prior
        slope = float(np.linalg.lstsq(normal, right, rcond=None)[0][2])
    return slope


def without_season(
    x: Floats, y: Floats, celsius: Floats, reference: float, prior: float, prior_sd: float
) -> tuple[Floats, float]:
    """The series at the reference temperature (n,), and the coefficient used. Points of unknown temperature (NaN)
    stay as they are."""
    known = ~np.isnan(celsius)
    if not known.any():
        return y, prior
    slope = temperature_slope(x[known], y[known], celsius[known], prior, prior_sd)
    return np.where(known, y - slope * (np.where(known, celsius, reference) - reference), y), slope
