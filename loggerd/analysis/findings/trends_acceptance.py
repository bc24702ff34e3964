"""Share of a charge that is taken before the charging voltage is reached: the mark of sulfation.

A sulfated bank reaches the voltage early and takes the rest slowly; gassing hardly moves this share (simulated
charges, own study: 0.8 sound, 0.7 and 0.5 with resistance to charging up by 30 and 70 %). Cold and larger charge
currents move it too.
"""

from __future__ import annotations

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.events import ChargeEnded
from loggerd.analysis.frames import FRAME_MS

_EVERY_MS = 3_600_000
_KEPT = 96
_LEAST_DEPTH, _MOST_DEPTH = 0.2, 0.8
_LATE_MS = 2 * _EVERY_MS + FRAME_MS


class Acceptance:
    """Remembers, hour by hour, what was missing since the last full charge; matches it with the charges."""

    def __init__(self, ground: Ground) -> None:
        self._rated = ground.bank.rated_amp_hours
        self._missing: list[list[float]] = []

    def push(self, moment: Moment) -> None:
        """Note the deficit, at most once an hour; each full charge begins anew."""
        full, frame = moment.since_full, moment.frame
        if full is None or frame.end_ms % _EVERY_MS:
            return
        self._missing.append([frame.end_ms, full.net_out_amp_hours])
        del self._missing[:-_KEPT]

    def share(self, charge: ChargeEnded) -> float | None:
        """Of what was missing at the start of a charge, the share taken before the limit; None if not known, or
        where the charge began too near full or too deep to be compared with others."""
        before, missing = charge.before_limit_amp_hours, self._at(charge.start_ms)
        if before is None or missing is None or not charge.verdict.startswith("full"):
            return None
        if not _LEAST_DEPTH * self._rated <= missing <= _MOST_DEPTH * self._rated:
            return None
        return min(max(before / missing, 0.0), 1.5)

    def _at(self, at_ms: int) -> float | None:
        """Deficit at the last full hour before an instant."""
        for when, missing in reversed(self._missing):
            if when <= at_ms:
                return missing if at_ms - when <= _LATE_MS else None
        return None

    def to_plain(self) -> list[list[float]]:
        return self._missing

    def load_plain(self, plain: list[list[float]]) -> None:
        self._missing = plain
