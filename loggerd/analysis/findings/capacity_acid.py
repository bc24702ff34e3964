"""What rests say of the acid: the reserve that it stands for, and how full a full bank is by it."""

from __future__ import annotations

import math
from typing import Any

from loggerd.analysis.findings.acid_reserve import Reserve, reserve_of
from loggerd.analysis.findings.acid_rests import AcidRests
from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.events import Capacity, Rested
from loggerd.model.bank import BankType
from loggerd.model.finding import Finding, Grade
from loggerd.model.ledger import Figure, Instant

_FLOODED = {BankType.FLOODED_ANTIMONY, BankType.FLOODED_CALCIUM}
_NOTABLE = 0.03
_FALLEN, _FALLEN_STILL = 0.10, 0.06


class AcidTeller:
    """Remembers what was told: reserve [verdict, amp-hours], reason of the refusal, and of the full bank [verdict,
    fraction]."""

    def __init__(self, ground: Ground) -> None:
        self._bank = ground.bank
        amps = ground.accuracy.get("amps")
        self._gain = amps.gain if amps and amps.gain is not None else 0.0
        self._reserve: list[Any] | None = None
        self._refused = ""
        self._when_full: list[Any] | None = None

    def push(self, rests: AcidRests, rested: Rested, moment: Moment, usable: bool) -> list[Finding]:
        """Findings after a rest."""
        found = self._tell_full(rests, moment) if rested.after_full == "proven" else []
        if usable:
            found.extend(self._tell_reserve(rests, rested, moment))
        return found

    def _tell_reserve(self, rests: AcidRests, rested: Rested, moment: Moment) -> list[Finding]:
        legs = rests.legs()
        reserve = reserve_of(legs) if len(legs) > 1 else None
        why = self._missing(rests, reserve, moment)
        at = Instant(moment.frame.session, moment.frame.end_ms)
        if why or reserve is None:
            if self._reserve is not None or why == self._refused:
                return []
            self._refused = why
            return [Finding("capacity.acid_reserve", "bank", "cannot_tell", Grade.CANNOT_TELL, why, at)]
        low, high = self._band(reserve)
        moment.events.append(
            Capacity(at.at_ms, "acid_reserve", reserve.amp_hours, low, high, reserve.amp_hours, rested.celsius, None)
        )
        if self._reserve is not None and abs(reserve.amp_hours / self._reserve[1] - 1) < _NOTABLE:
            return []
        self._reserve, self._refused = ["read", reserve.amp_hours], ""
        known = rests.when_full()
        full = known[1] if known else None
        details = (
            Figure("legs", float(reserve.legs)),
            Figure("percent_of_rated", reserve.amp_hours / self._bank.rated_amp_hours * 100),
            Figure(
                "state_when_full_percent",
                None if full is None else full * 100,
                reason="" if full is not None else "no three rests after a proven full charge yet",
            ),
        )
        beside = (
            f"a full bank shows {full * 100:.0f} % by its rested voltage"
            if full is not None
            else "what a full bank shows by its rested voltage is not known yet"
        )
        reason = (
            f"From {reserve.legs} spans between rests. This is what the acid holds, not what the plates give; beside "
            f"it, {beside}."
        )
        span = (Instant(rests.rests[0][1], rests.rests[0][0]), at)
        return [
            Finding(
                "capacity.acid_reserve",
                "bank",
                "read",
                Grade.INFERRED,
                reason,
                at,
                reserve.amp_hours,
                low,
                high,
                None,
                (span,),
                details,
            )
        ]

    def _band(self, reserve: Reserve) -> tuple[float, float]:
        """The gain of the current sensor is common to all legs and never averages out."""
        value = reserve.amp_hours
        below = math.hypot(value - reserve.low, self._gain * value)
        above = math.hypot(reserve.high - value, self._gain * value)
        return value - below, value + above

    def _missing(self, rests: AcidRests, reserve: Reserve | None, moment: Moment) -> str:
        limits = moment.limits
        least = limits["acid_reserve_span_fraction"]
        if reserve is None:
            return "There are not yet three good rests with nothing but drawing or gentle charging between them."
        if rests.span < least:
            return f"The rested voltages do not yet span {least * 100:.0f} % of the charge."
        days = limits["stratification_days"]
        if self._bank.type in _FLOODED and rests.layered(moment.frame.end_ms, days):
            return f"It has not gassed for {days:.0f} days: the acid may lie in layers, and rested voltages then lie."
        low, high = self._band(reserve)
        if (
            max(high - reserve.amp_hours, reserve.amp_hours - low)
            > limits["acid_reserve_band_fraction"] * reserve.amp_hours
        ):
            return "The rested voltages and the amp-hours between them scatter too much so far."
        return ""

    def _tell_full(self, rests: AcidRests, moment: Moment) -> list[Finding]:
        known = rests.when_full()
        if known is None:
            return []
        first, latest, half, apart = known
        before = self._when_full
        least = _FALLEN_STILL if before and before[0] == "fallen" else max(_FALLEN, apart)
        verdict = "fallen" if first - latest >= least else "read"
        if before is not None and verdict == before[0] and abs(latest - before[1]) < _NOTABLE:
            return []
        at = Instant(moment.frame.session, moment.frame.end_ms)
        began = [at.session, at.at_ms] if before is None or verdict != before[0] else before[2]
        self._when_full = [verdict, latest, began]
        reason = f"In the first rests after a proven full charge it was {first * 100:.0f} %."
        if verdict == "fallen":
            reason += " Water filled in since then would lower it too; compare the acid of the cells."
        low, high = (latest - half) * 100, (latest + half) * 100
        since = Instant(*began) if verdict == "fallen" else None
        grade, name = Grade.OBSERVED, "capacity.acid_when_full"
        return [Finding(name, "bank", verdict, grade, reason, at, latest * 100, low, high, since)]

    def to_plain(self) -> dict[str, Any]:
        return {"reserve": self._reserve, "refused": self._refused, "when_full": self._when_full}

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._reserve, self._refused, self._when_full = plain["reserve"], plain["refused"], plain["when_full"]
