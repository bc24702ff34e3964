"""The witness that counts: discharges from a proven full down to the end voltage."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from loggerd.analysis.findings import capacity_rules as rules
from loggerd.analysis.findings.capacity_observed import Worth, crossing_doubt, problems, worth
from loggerd.analysis.findings.capacity_run import Crossing, Curve, Run
from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.events import Capacity
from loggerd.model.finding import Finding, Grade
from loggerd.model.ledger import Figure, Instant

_SIMILAR_RATE = 1.3
_KEPT_FIRST, _KEPT_LAST = 4, 4


class FullDischarges:
    """What they gave. `standing`: [at ms, fraction of rated or None, low, high, verdict, amp-hours] of the latest that
    could be judged; `history`: [at ms, amperes, amp-hours at the rating's temperature] of the first ones and the last;
    `reference`: curve of the latest."""

    def __init__(self, ground: Ground) -> None:
        self._bank, self._accuracy = ground.bank, ground.accuracy
        self.standing: list[Any] | None = None
        self.history: list[list[float]] = []
        self.reference: Curve | None = None
        self._refused = ""

    def judge(
        self, crossing: Crossing, run: Run, moment: Moment, doubted: bool, rest_volts: float | None
    ) -> list[Finding]:
        """A finding for a discharge that has just reached the end voltage."""
        limits = moment.limits
        why = problems(crossing, run, limits)
        if doubted:
            why.append("the sensor of the current or the voltage is in doubt")
        if why:
            return self._refuse(why, crossing, run, moment)
        self._refused = ""
        amps, volts = self._accuracy.get("amps"), self._accuracy.get("volts")
        doubt = crossing_doubt(crossing, amps, volts, limits["end_volts_per_cell"], limits)
        doubt = math.hypot(doubt, run.doubt_by_air(limits))
        value = worth(crossing.amp_hours, crossing.amps, run.celsius, doubt, self._bank, limits)
        if run.points and len(run.points) >= 20:
            self.reference = run.curve(crossing.amp_hours, rest_volts)
        moment.events.append(self._event(value, crossing, run, moment))
        return [self._tell(value, crossing, run, moment)]

    def _event(self, value: Worth, crossing: Crossing, run: Run, moment: Moment) -> Capacity:
        ah, half = value.rated_amp_hours, value.rated_half_width
        at_ms, hours = moment.frame.end_ms, crossing.amp_hours / max(crossing.amps, 1e-9)
        return Capacity(at_ms, "observed", ah, ah * (1 - half), ah * (1 + half), crossing.amp_hours, run.celsius, hours)

    def _tell(self, value: Worth, crossing: Crossing, run: Run, moment: Moment) -> Finding:
        limits, at_ms = moment.limits, moment.frame.end_ms
        watch, low = limits["capacity_watch_fraction"], limits["capacity_low_fraction"]
        first = None if run.aired else self._first_like(crossing.amps)
        own = value.amp_hours / first if first else None
        self._remember(at_ms, crossing.amps, value.amp_hours, run.celsius is not None and not run.aired)
        details = self._details(value, crossing, run, own)
        hours = crossing.amp_hours / max(crossing.amps, 1e-9)
        reason = (
            f"{crossing.amp_hours:.1f} Ah from a proven full down to {limits['end_volts_per_cell']:.2f} V per cell, "
            f"at {crossing.amps:.1f} A in the last half hour (the {hours:.1f}-hour rate); "
        )
        reason += "temperature not read." if run.celsius is None else f"at {run.celsius:.0f} °C{run.air_words}."
        if value.near:
            fraction = value.rated_amp_hours / self._bank.rated_amp_hours
            verdict, ah, half = (
                rules.capacity_grade(fraction, watch, low),
                value.rated_amp_hours,
                value.rated_half_width,
            )
            self.standing = [at_ms, fraction, fraction * (1 - half), fraction * (1 + half), verdict, ah]
        else:
            verdict, ah, half = "other_rate", value.amp_hours, value.half_width
            if own is not None and own < low:
                verdict = "fallen"
            self.standing = [at_ms, None, None, None, verdict, ah]
        reason += self._own_words(own, verdict)
        at = Instant(moment.frame.session, at_ms)
        span = (Instant(run.session, run.began_ms), at)
        return Finding(
            "capacity.observed",
            "bank",
            verdict,
            Grade.OBSERVED,
            reason,
            at,
            ah,
            ah * (1 - half),
            ah * (1 + half),
            None,
            (span,),
            details,
        )

    def _own_words(self, own: float | None, verdict: str) -> str:
        if own is None:
            rated = self._bank.rated_amp_hours / self._bank.rated_hours
            return f" The rated current is {rated:.1f} A." if verdict == "other_rate" else ""
        return f" That is {own * 100:.0f} % of what it first gave at such a current."

    def _details(self, value: Worth, crossing: Crossing, run: Run, own: float | None) -> tuple[Figure, ...]:
        figures = [
            Figure("raw_amp_hours", crossing.amp_hours),
            Figure("amp_hours_at_rating_celsius", value.amp_hours),
            Figure("last_half_hour_amps", crossing.amps),
        ]
        if value.near:
            percent = value.rated_amp_hours / self._bank.rated_amp_hours * 100
            half = value.rated_half_width
            figures.append(Figure("percent_of_rated", percent, percent * (1 - half), percent * (1 + half)))
        if own is not None:
            figures.append(Figure("percent_of_first", own * 100))
        if (exponent := self._own_exponent()) is not None:
            figures.append(Figure("own_peukert_exponent", exponent))
        ends = [(ah, block) for block, ah in enumerate(crossing.block_ends, start=1) if ah is not None]
        if ends:
            first_ah, weakest = min(ends)
            figures.extend((Figure("first_block_at_end", float(weakest)), Figure("first_block_amp_hours", first_ah)))
        if run.celsius is not None:
            figures.append(Figure("celsius", run.celsius))
        return tuple(figures)

    def _own_exponent(self) -> float | None:
        """From the latest discharge and the last before it at quite another rate: a growing one is a sign of fade."""
        if not self.history:
            return None
        _, amps, amp_hours = self.history[-1]
        for _, other, other_ah in reversed(self.history[:-1]):
            if abs(math.log(amps / other)) > math.log(1.5):
                return rules.peukert_exponent(amps, amp_hours / amps, other, other_ah / other)
        return None

    def _first_like(self, amps: float) -> float | None:
        for _, earlier, amp_hours in self.history:
            if 1 / _SIMILAR_RATE <= amps / earlier <= _SIMILAR_RATE:
                return amp_hours
        return None

    def _remember(self, at_ms: int, amps: float, amp_hours: float, warmth_known: bool) -> None:
        """A capacity at an unknown temperature is not compared with others."""
        if warmth_known:
            rows = [*self.history, [float(at_ms), amps, amp_hours]]
            self.history = rows if len(rows) <= _KEPT_FIRST + _KEPT_LAST else [*rows[:_KEPT_FIRST], *rows[-_KEPT_LAST:]]

    def _refuse(self, why: list[str], crossing: Crossing, run: Run, moment: Moment) -> list[Finding]:
        """Told once for each reason, and only while there is nothing better to say."""
        reason = f"The discharge reached the end voltage, but {', and '.join(why)}."
        if self.standing is not None or reason == self._refused:
            return []
        self._refused = reason
        at = Instant(moment.frame.session, moment.frame.end_ms)
        span = (Instant(run.session, run.began_ms), at)
        details = (Figure("raw_amp_hours", crossing.amp_hours),)
        return [
            Finding(
                "capacity.observed",
                "bank",
                "cannot_tell",
                Grade.CANNOT_TELL,
                reason,
                at,
                evidence=(span,),
                details=details,
            )
        ]

    def to_plain(self) -> dict[str, Any]:
        curve: Mapping[str, Any] | None = vars(self.reference) if self.reference else None
        return {
            "standing": self.standing,
            "history": self.history,
            "reference": curve,
            "refused": self._refused,
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self.standing, self.history, self._refused = plain["standing"], plain["history"], plain["refused"]
        self.reference = Curve(**plain["reference"]) if plain["reference"] else None
