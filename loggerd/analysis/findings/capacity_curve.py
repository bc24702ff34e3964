"""The second witness: discharges from full that stop early, stretched onto the bank's own full curve."""

from __future__ import annotations

import math
from typing import Any

from loggerd.analysis.findings import capacity_rules as rules
from loggerd.analysis.findings.capacity_full import FullDischarges
from loggerd.analysis.findings.capacity_observed import Worth, worth
from loggerd.analysis.findings.capacity_run import Curve, Run
from loggerd.analysis.findings.capacity_stretch import Stretch, stretched
from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.events import Capacity
from loggerd.model.finding import Finding, Grade
from loggerd.model.ledger import Figure, Instant

_SAME_REST_VOLTS = 0.010
_SCATTER, _SCATTER_WITHOUT_OHMS = 0.5, 0.2
_GAP_SHARE, _MISFIT_VOLTS = 0.02, 0.02


class ShorterDischarges:
    """`standing`: [at ms, fraction of rated or None, low, high, verdict, amp-hours] of the latest that was judged."""

    def __init__(self, ground: Ground) -> None:
        self._bank = ground.bank
        self._reference: Curve | None = None
        self.standing: list[Any] | None = None
        self._refused = ""

    def refer_to(self, reference: Curve | None) -> None:
        """The bank's own curve down to the end voltage."""
        self._reference = reference

    def judge(
        self, run: Run, moment: Moment, full: FullDischarges, known: tuple[float | None, float | None, bool]
    ) -> list[Finding]:
        """A finding for a discharge that has ended; silent if it was shallow. `known`: ohms of a cell, the rested
        voltage of the full bank that it began with, and whether a sensor is in doubt."""
        cell_ohms, rest_volts, doubted = known
        if run.drawn < moment.limits["capacity_depth_fraction"] * self._bank.rated_amp_hours:
            return []
        if why := self._missing(run, moment, cell_ohms, doubted):
            return self._refuse(why, run, moment)
        assert self._reference is not None
        seen = run.curve(run.drawn, rest_volts)
        fit = stretched(seen, self._reference, moment.limits["end_volts_per_cell"], cell_ohms)
        if fit is None or fit.left_volts > _MISFIT_VOLTS:
            return self._refuse("its curve has another shape than the one down to the end voltage", run, moment)
        half = moment.limits["capacity_stretch_fraction"]
        reference_rest = self._reference.rest_volts
        matches = (
            rest_volts is not None
            and reference_rest is not None
            and abs(rest_volts - reference_rest) <= _SAME_REST_VOLTS
        )
        half = math.hypot(half / 2 if matches else half, run.doubt_by_air(moment.limits))
        value = worth(fit.amp_hours, run.mean_amps, run.celsius, half, self._bank, moment.limits)
        return self._tell(fit, value, run, moment, (full, matches))

    def _missing(self, run: Run, moment: Moment, cell_ohms: float | None, doubted: bool) -> str:
        reference, limits = self._reference, moment.limits
        if reference is None:
            end = limits["end_volts_per_cell"]
            return f"no discharge of this bank from a proven full has yet come down to {end:.2f} V per cell"
        low, high = limits["capacity_celsius_low"], limits["capacity_celsius_high"]
        ratio = run.mean_amps / max(reference.amps, 1e-9)
        most = limits["peukert_rate_ratio"]
        checks = (
            (not run.proven, "the bank was likely full when it began, but that is not proven"),
            (doubted, "the sensor of the current or the voltage is in doubt"),
            (run.gap_ms > _GAP_SHARE * run.current[2] * 1000, "readings are missing"),
            (not 1 / most <= ratio <= most, "its current is too far from that of the discharge to the end voltage"),
            (run.scatter > (_SCATTER if cell_ohms else _SCATTER_WITHOUT_OHMS), "its current changed too much"),
            (run.celsius is not None and not low <= run.celsius <= high, "no correction for its temperature is known"),
        )
        return ", and ".join(why for wrong, why in checks if wrong)

    def _tell(
        self, fit: Stretch, value: Worth, run: Run, moment: Moment, beside: tuple[FullDischarges, bool]
    ) -> list[Finding]:
        full, matches = beside
        limits, at = moment.limits, Instant(moment.frame.session, moment.frame.end_ms)
        self._refused = ""
        assert self._reference is not None
        ah, half = (
            (value.rated_amp_hours, value.rated_half_width) if value.near else (value.amp_hours, value.half_width)
        )
        watch, least = limits["capacity_watch_fraction"], limits["capacity_low_fraction"]
        reference = self._reference_amp_hours(run, moment)
        fraction = ah / self._bank.rated_amp_hours if value.near else ah / reference
        verdict = rules.capacity_grade(fraction, watch, least)
        reason = (
            f"{run.drawn:.1f} Ah were drawn at {run.mean_amps:.1f} A; its curve is that of the discharge to the end "
            f"voltage with {fit.scale * 100:.0f} % of its length. "
        )
        reason += (
            "The rested voltage when full is the same."
            if matches
            else "Where acid is locked as sulfate this reads too high."
        )
        if full.standing and full.standing[4] in {"low", "fallen"} and verdict != "low":
            verdict = "cannot_tell"
            reason += " The last discharge down to the end voltage gave less, and that one counts."
        self.standing = [
            at.at_ms,
            *((fraction, fraction * (1 - half), fraction * (1 + half)) if value.near else (None, None, None)),
            verdict,
            ah,
        ]
        moment.events.append(self._event(fit, value, run, at.at_ms))
        grade = Grade.CANNOT_TELL if verdict == "cannot_tell" else Grade.INFERRED
        details = (
            Figure("stretch", fit.scale),
            Figure("drop_volts_per_cell", fit.drop_volts),
            Figure("misfit_volts_per_cell", fit.left_volts),
            Figure("percent_of_rated" if value.near else "percent_of_reference", fraction * 100),
        )
        span = (Instant(run.session, run.began_ms), at)
        return [
            Finding(
                "capacity.inferred",
                "bank",
                verdict,
                grade,
                reason,
                at,
                ah,
                ah * (1 - half),
                ah * (1 + half),
                None,
                (span,),
                details,
            )
        ]

    @staticmethod
    def _event(fit: Stretch, value: Worth, run: Run, at_ms: int) -> Capacity:
        ah, half, hours = value.rated_amp_hours, value.rated_half_width, fit.amp_hours / max(run.mean_amps, 1e-9)
        return Capacity(at_ms, "inferred", ah, ah * (1 - half), ah * (1 + half), run.drawn, run.celsius, hours)

    def _reference_amp_hours(self, run: Run, moment: Moment) -> float:
        """What the reference gave at the rating's temperature."""
        reference = self._reference
        assert reference is not None
        return worth(reference.amp_hours, reference.amps, reference.celsius, 0.0, self._bank, moment.limits).amp_hours

    def _refuse(self, why: str, run: Run, moment: Moment) -> list[Finding]:
        """Told once for each reason, and only while there is nothing better to say."""
        if self.standing is not None or why == self._refused:
            return []
        self._refused = why
        at = Instant(moment.frame.session, moment.frame.end_ms)
        span = (Instant(run.session, run.began_ms), at)
        reason = f"A discharge from full went deep enough, but {why}."
        return [Finding("capacity.inferred", "bank", "cannot_tell", Grade.CANNOT_TELL, reason, at, evidence=(span,))]

    def to_plain(self) -> dict[str, Any]:
        return {"standing": self.standing, "refused": self._refused}

    def load_plain(self, plain: dict[str, Any]) -> None:
        self.standing, self._refused = plain["standing"], plain["refused"]
