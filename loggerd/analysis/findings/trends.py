"""Where is it going: trends, drifts, and the date at which the bank is at its end."""

from __future__ import annotations

from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.drawn_up import figures, tell
from loggerd.analysis.findings.events import ChargeEnded
from loggerd.analysis.findings.trends_acceptance import Acceptance
from loggerd.analysis.findings.trends_drift import Drift
from loggerd.analysis.findings.trends_judge import ending, judge
from loggerd.analysis.findings.trends_series import SERIES, SeriesSpec, readings_of
from loggerd.analysis.findings.trends_specs import SPECS
from loggerd.analysis.findings.weekly import WEEK_MS, Sample, Thinned
from loggerd.model.finding import Finding, Grade

__all__ = ["SPECS", "Trends"]
_BY_NAME = {spec.name: spec for spec in SERIES}
_BY_FINDING: dict[str, list[SeriesSpec]] = {}
for _spec in SERIES:
    _BY_FINDING.setdefault(_spec.finding, []).append(_spec)
_WITNESSES = ("capacity_tested", "capacity_observed")


class Trends:
    """Collects what the other topics settle; judges when a week or a month is over."""

    def __init__(self, ground: Ground) -> None:
        self._rated = ground.bank.rated_amp_hours
        self._acceptance = Acceptance(ground)
        self._series = {spec.name: Thinned() for spec in SERIES}
        self._drifts = {spec.name: Drift() for spec in SERIES}
        self._throughput = 0.0
        self._week = -1
        self._told_drift = ""

    def push(self, moment: Moment) -> list[Finding]:
        frame = moment.frame
        found: list[Finding] = []
        week = frame.start_ms // WEEK_MS
        if week != self._week:
            self._week = week
            found = self._roll(moment)
        moved = frame.amp_hours
        if moved < 0.0:
            self._throughput -= moved
        for event in moment.events:
            for name, (value, celsius) in readings_of(event, self._rated, moment.limits):
                self._add(name, frame.end_ms, value, celsius)
            if isinstance(event, ChargeEnded):
                share = self._acceptance.share(event)
                if share is not None:
                    self._add("acceptance", frame.end_ms, share, event.celsius)
        self._acceptance.push(moment)
        return found

    def _add(self, name: str, at_ms: int, value: float, celsius: float | None) -> None:
        self._series[name].add(Sample(at_ms, value, celsius, self._throughput))

    def _roll(self, moment: Moment) -> list[Finding]:
        """A week is over: feed the drift detectors; a month: judge the trends."""
        months, drifted = set(), False
        for name, series in self._series.items():
            week, month = series.roll(moment.frame.start_ms)
            if week is not None:
                drifted |= self._drifts[name].push(week, _BY_NAME[name], moment.limits)
            if month:
                months.add(name)
        found: list[Finding] = []
        for finding, specs in _BY_FINDING.items():
            if any(spec.name in months for spec in specs):
                found.append(self._trend(finding, specs, moment))
        if months & set(_WITNESSES):
            found.append(self._ending(moment))
        return [*found, *self._drift(moment, drifted)]

    def _trend(self, name: str, specs: list[SeriesSpec], moment: Moment) -> Finding:
        """Of several series of one finding, never mixed, the first that can be judged; else the longest."""
        filled = [spec for spec in specs if self._series[spec.name].months]
        judged = [judge(self._series[spec.name], spec, moment.limits, self._rated) for spec in filled]
        longest = max(judged, key=lambda one: one.points)
        best = next((one for one in judged if one.verdict != "too_early"), longest)
        early = best.verdict == "too_early"
        details = figures(
            median=best.median, months=best.points, per_100_full_cycles=best.per_100_cycles, memory=best.memory
        )
        spans = (best.span_ms,) if best.span_ms else ()
        grade = Grade.CANNOT_TELL if early else Grade.INFERRED
        return tell(
            moment.frame, name, best.verdict, best.reason, grade=grade, value=best.slope, band=(best.low, best.high),
            since_ms=best.span_ms[0] if best.span_ms else None, spans=spans, details=details,
        )  # fmt: skip

    def _ending(self, moment: Moment) -> Finding:
        needed = moment.limits["forecast_points_least"]
        enough = [name for name in _WITNESSES if len(self._series[name].months) >= needed]
        name = enough[0] if enough else max(_WITNESSES, key=lambda one: len(self._series[one].months))
        end = ending(self._series[name], _BY_NAME[name], moment.limits, moment.frame.end_ms)
        grade = Grade.CANNOT_TELL if end.verdict == "no_date" else Grade.INFERRED
        value = end.middle if end.verdict != "not_before" else end.early
        return tell(
            moment.frame, "trends.end_of_life", end.verdict, end.reason, grade=grade, value=value,
            band=(end.early, end.late),
        )  # fmt: skip

    def _drift(self, moment: Moment, changed: bool) -> list[Finding]:
        """One finding for all series: which of them drift."""
        ready = [n for n, one in self._drifts.items() if len(one.base) >= moment.limits["drift_baseline_weeks"]]
        if not ready or (self._told_drift and not changed):
            return []
        drifting = {name: one for name, one in self._drifts.items() if one.alarm}
        seen = "drifting" if drifting else "steady"
        words = "; ".join(
            f"{_BY_NAME[name].words} {'rises' if one.alarm > 0 else 'falls'}, by {one.change or 0.0:+.3g} so far"
            for name, one in drifting.items()
        )
        reason = words or f"watched against their first weeks: {', '.join(_BY_NAME[name].words for name in ready)}"
        self._told_drift = seen
        since = min((one.since_ms for one in drifting.values()), default=None)
        details = figures(**{name: one.change for name, one in drifting.items()})
        value = float(len(drifting))
        return [
            tell(moment.frame, "trends.drift", seen, reason, grade=Grade.INFERRED, value=value, since_ms=since,
                 details=details)
        ]  # fmt: skip

    def to_plain(self) -> dict[str, Any]:
        return {
            "acceptance": self._acceptance.to_plain(),
            "series": {name: one.to_plain() for name, one in self._series.items()},
            "drifts": {name: one.to_plain() for name, one in self._drifts.items()},
            "throughput": self._throughput,
            "week": self._week,
            "told_drift": self._told_drift,
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._acceptance.load_plain(plain["acceptance"])
        self._series = {name: Thinned.from_plain(kept) for name, kept in plain["series"].items()}
        self._drifts = {name: Drift.from_plain(kept) for name, kept in plain["drifts"].items()}
        self._throughput, self._week, self._told_drift = plain["throughput"], plain["week"], plain["told_drift"]
