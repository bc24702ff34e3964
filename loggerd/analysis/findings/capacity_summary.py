"""One answer to "what does it really hold?", by the best witness there is; what is missing where there is none."""

from __future__ import annotations

from typing import Any

from loggerd.analysis.findings.capacity_curve import ShorterDischarges
from loggerd.analysis.findings.capacity_full import FullDischarges
from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.frames import DAY_MS
from loggerd.model.finding import Finding, Grade
from loggerd.model.ledger import Figure, Instant

_FIRST_DAYS = 7
_INFERRED_AFTER_DAYS = 365
_NOTABLE = 0.05


class Summary:
    """`told`: [verdict, fraction, at ms of the witness] of what was last said."""

    def __init__(self, ground: Ground) -> None:
        self._bank = ground.bank
        self._began_ms: int | None = None
        self._told: list[Any] | None = None

    def push(self, moment: Moment, full: FullDischarges, shorter: ShorterDischarges) -> list[Finding]:
        """A finding when a witness has said something new; after a week of silence, what is missing."""
        if self._began_ms is None:
            self._began_ms = moment.frame.start_ms
        best = _best(full.standing, shorter.standing)
        if best is None:
            if self._told is not None or moment.frame.end_ms - self._began_ms < _FIRST_DAYS * DAY_MS:
                return []
            end = moment.limits["end_volts_per_cell"]
            why = (
                f"No discharge from a proven full down to {end:.2f} V per cell has been seen, so there is nothing to "
                "read the capacity from. A test discharge would tell."
            )
            return [self._cannot_tell(moment, why, [None, None, 0])]
        grade, (at_ms, fraction, low, high, verdict, amp_hours) = best
        if self._told is not None and self._told[2] == at_ms:
            return []
        if fraction is None:
            same = self._told is not None and self._told[0] == verdict and self._told[1] is not None
            if same and self._told is not None and abs(amp_hours / self._told[1] - 1) < _NOTABLE:
                self._told[2] = at_ms
                return []
            rated = self._bank.rated_amp_hours / self._bank.rated_hours
            why = (
                f"It gave {amp_hours:.1f} Ah down to the end voltage, but at a current too far from the rated "
                f"{rated:.1f} A to be a percentage; compare it with its own earlier discharges."
            )
            return [self._cannot_tell(moment, why, [verdict, amp_hours, at_ms])]
        self._told = [verdict, fraction, at_ms]
        how = "a discharge from full to the end voltage" if grade is Grade.OBSERVED else "a shorter discharge"
        reason = f"By {how}, of the rated {self._bank.rated_amp_hours:g} Ah at {self._bank.rated_hours:g} hours."
        details = (Figure("amp_hours", amp_hours), Figure("rated_hours", self._bank.rated_hours))
        at = Instant(moment.frame.session, moment.frame.end_ms)
        return [
            Finding(
                "capacity.summary",
                "bank",
                verdict,
                grade,
                reason,
                at,
                fraction * 100,
                low * 100,
                high * 100,
                details=details,
            )
        ]

    def _cannot_tell(self, moment: Moment, why: str, told: list[Any]) -> Finding:
        self._told = told
        at = Instant(moment.frame.session, moment.frame.end_ms)
        return Finding("capacity.summary", "bank", "cannot_tell", Grade.CANNOT_TELL, why, at)

    def to_plain(self) -> dict[str, Any]:
        return {"began_ms": self._began_ms, "told": self._told}

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._began_ms, self._told = plain["began_ms"], plain["told"]


def _best(observed: list[Any] | None, inferred: list[Any] | None) -> tuple[Grade, list[Any]] | None:
    """What came down to the end voltage counts before what was stretched, unless it is a year older; and one that
    cannot be made a percentage gives way to one that can."""
    if inferred is not None and inferred[4] == "cannot_tell":
        inferred = None
    if observed is None or inferred is None:
        if observed is not None:
            return Grade.OBSERVED, observed
        return (Grade.INFERRED, inferred) if inferred is not None else None
    old = inferred[0] - observed[0] > _INFERRED_AFTER_DAYS * DAY_MS
    lower = inferred[1] is not None and observed[2] is not None and inferred[3] < observed[2]
    if (old or lower or observed[1] is None) and inferred[1] is not None:
        return Grade.INFERRED, inferred
    return Grade.OBSERVED, observed
