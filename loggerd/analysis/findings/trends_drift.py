"""Drift of one series of weekly medians: CUSUM of standardised scores against the series' own first year.

Until the baseline is a year long it grows with the series (self-starting); then it stands still. A drift is told when
the CUSUM alarms, whose false alarms are designed, and the change is also worth telling.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from loggerd.analysis.findings.estimators.cusum import Baseline, baseline_of, threshold_for
from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.findings.trends_series import REFERENCE_CELSIUS, SeriesSpec
from loggerd.analysis.findings.weekly import WEEK_MS, Sample

_YEAR_WEEKS = 52


@dataclass
class Drift:
    """`base`: values and temperatures of the baseline's weeks; `sums`: CUSUM of a rise and of a fall."""

    base: list[list[float | None]] = field(default_factory=list)
    before: float | None = None
    before_week: int = -1
    sums: list[float] = field(default_factory=lambda: [0.0, 0.0])
    starts: list[int] = field(default_factory=lambda: [0, 0])
    totals: list[list[float]] = field(default_factory=lambda: [[0.0, 0.0], [0.0, 0.0]])
    """Of each side since its sum left zero: weeks, and sum of the values."""
    alarm: int = 0
    """1 a rise, -1 a fall, 0 none."""
    mean: float | None = None
    recent: list[float] = field(default_factory=list)

    def push(self, sample: Sample, spec: SeriesSpec, limits: Mapping[str, float]) -> bool:
        """Take the median of a week; whether the alarm is another than before."""
        week = int(sample.at_ms // WEEK_MS)
        before = self.alarm
        if len(self.base) >= limits["drift_baseline_weeks"]:
            self._score(sample, spec, limits, week)
        else:
            self.before = self._corrected(sample.value, sample.celsius, spec, limits)
        quiet = max(self.sums) < threshold(limits) / 2.0
        if len(self.base) < _YEAR_WEEKS and not self.alarm and quiet:
            self.base.append([sample.value, sample.celsius])
        self.before_week = week
        return self.alarm != before

    def _score(self, sample: Sample, spec: SeriesSpec, limits: Mapping[str, float], week: int) -> None:
        base = [self._corrected(value or 0.0, celsius, spec, limits) for value, celsius in self.base]
        level = sum(base) / len(base)
        least = spec.least * (abs(level) if spec.relative else 1.0)
        known = baseline_of(base, least)
        value = self._corrected(sample.value, sample.celsius, spec, limits)
        doubt = self._doubt(sample.celsius, known, spec, limits)
        last = self.before if week - self.before_week == 1 else None
        score = known.score(last, value, doubt)
        self.before, self.mean = value, known.mean
        self.recent = [*self.recent[-2:], value]
        for side, sign in enumerate((1, -1)):
            self._add(side, sign * score, value, sample, limits)
        self._decide(known, spec, limits)

    def _add(self, side: int, score: float, value: float, sample: Sample, limits: Mapping[str, float]) -> None:
        # A single wild week must not make an alarm by itself: scores are held to 3.
        risen = max(0.0, self.sums[side] + min(score, 3.0) - limits["drift_allowance"])
        if risen == 0.0:
            self.totals[side] = [0.0, 0.0]
        else:
            if self.sums[side] == 0.0:
                self.starts[side] = int(sample.at_ms)
            count, total = self.totals[side]
            self.totals[side] = [count + 1.0, total + value]
        # A sum that grows for years would take years to come down.
        self.sums[side] = min(risen, 3.0 * threshold(limits))

    def _decide(self, known: Baseline, spec: SeriesSpec, limits: Mapping[str, float]) -> None:
        level = abs(known.mean) if spec.relative else 1.0
        least = limits[spec.limit] * level * spec.limit_shown / spec.shown
        for side, sign in enumerate((1, -1)):
            if spec.harm == -sign:
                continue
            count, total = self.totals[side]
            if self.sums[side] > threshold(limits) and count and abs(total / count - known.mean) > least:
                self.alarm = sign
            elif self.alarm == sign and self.sums[side] == 0.0:
                self.alarm = 0

    @property
    def change(self) -> float | None:
        """Median of the last three weeks, less the mean of the baseline; None without an alarm."""
        return median(self.recent) - self.mean if self.alarm and self.mean is not None else None

    @property
    def since_ms(self) -> int:
        return self.starts[0 if self.alarm > 0 else 1]

    def _corrected(self, value: float, celsius: float | None, spec: SeriesSpec, limits: Mapping[str, float]) -> float:
        if celsius is None:
            return value
        slope = spec.season(limits)[0]
        return value - slope * (celsius - REFERENCE_CELSIUS)

    def _doubt(self, celsius: float | None, known: Baseline, spec: SeriesSpec, limits: Mapping[str, float]) -> float:
        """What the season may have left in this value: the coefficient's doubt times the distance in temperature."""
        warm = [one for _, one in self.base if one is not None]
        if celsius is None or not warm:
            return 0.0
        scale = abs(known.mean) if spec.relative else 1.0
        return scale * spec.season(limits)[1] * abs(celsius - sum(warm) / len(warm))

    def to_plain(self) -> dict[str, Any]:
        return dict(vars(self))

    @staticmethod
    def from_plain(plain: dict[str, Any]) -> Drift:
        return Drift(**plain)


def threshold(limits: Mapping[str, float]) -> float:
    """The alarm's threshold by the designed rate of false alarms."""
    return threshold_for(limits["drift_weeks_per_false_alarm"], limits["drift_allowance"])
