"""Capacity by its witnesses, never mixed: observed down to the end voltage, inferred from a shorter discharge, and what
the acid alone stands for; and one summary of what is known."""

from __future__ import annotations

from typing import Any

from loggerd.analysis.findings.acid_rests import AcidRests
from loggerd.analysis.findings.capacity_acid import AcidTeller
from loggerd.analysis.findings.capacity_curve import ShorterDischarges
from loggerd.analysis.findings.capacity_depth import CapacityAtDepth
from loggerd.analysis.findings.capacity_full import FullDischarges
from loggerd.analysis.findings.capacity_run import Run
from loggerd.analysis.findings.capacity_summary import Summary
from loggerd.analysis.findings.capacity_words import SPECS
from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.events import Resistance, Rested, SensorDoubt, Swing
from loggerd.model.finding import Finding

__all__ = ["SPECS", "CapacityTopic"]

_DOUBT_MS = 7 * 86_400_000
_REST_MS = 2 * 86_400_000


class CapacityTopic:
    """Follows each discharge from full, and each rest."""

    def __init__(self, ground: Ground) -> None:
        self._ground, self._bank = ground, ground.bank
        self._run: Run | None = None
        self._full = FullDischarges(ground)
        self._shorter = ShorterDischarges(ground)
        self._rests = AcidRests()
        self._acid = AcidTeller(ground)
        self._at_depth = CapacityAtDepth(ground)
        self._summary = Summary(ground)
        self._cell_ohms: float | None = None
        self._rest_full: list[float] | None = None
        self._doubted_ms: int | None = None

    def push(self, moment: Moment) -> list[Finding]:
        found = self._follow(moment)
        self._rests.push(moment.frame, self._bank, moment.limits)
        for event in moment.events:
            found.extend(self._take(event, moment))
        found.extend(self._at_depth.push(moment))
        found.extend(self._summary.push(moment, self._full, self._shorter))
        return found

    def _follow(self, moment: Moment) -> list[Finding]:
        """The discharge that runs: begun at a full bank, ended by the next one or by a charge."""
        frame, since = moment.frame, moment.since_full
        found: list[Finding] = []
        if since is None or frame.after_unknown:
            self._run = None
            return found
        if since.at_ms == frame.end_ms or self._run is None:
            found = self._close(moment)
            # A discharge that was under way when loggerd began to look is not one from full.
            self._run = Run(since.at_ms, frame.session, since.proven) if since.at_ms == frame.end_ms else None
            return found
        if not self._run.open:
            return found
        end_volts = moment.limits["end_volts_per_cell"]
        crossing = self._run.push(frame, since, self._bank, end_volts)
        if crossing is not None:
            found = self._full.judge(crossing, self._run, moment, self._doubted(moment), self._rest_volts())
            self._shorter.refer_to(self._full.reference)
        return found

    def _close(self, moment: Moment) -> list[Finding]:
        run = self._run
        if run is None or not run.open:
            return []
        run.open = False
        if run.reached:
            return []
        rest = self._rest_volts()
        return self._shorter.judge(run, moment, self._full, (self._cell_ohms, rest, self._doubted(moment)))

    def _take(self, event: object, moment: Moment) -> list[Finding]:
        if isinstance(event, Swing) and event.kind == "discharge":
            return self._close(moment)
        if isinstance(event, SensorDoubt) and event.channel in {"amps", "volts"}:
            self._doubted_ms = event.at_ms
        elif isinstance(event, Resistance) and event.bank_ohms is not None:
            self._cell_ohms = event.bank_ohms / self._bank.cells_in_series
        elif isinstance(event, Rested):
            if event.after_full:
                self._rest_full = [float(event.at_ms), event.volts_per_cell]
            usable = self._rests.add(event, moment.frame.session, self._ground.accuracy.get("amps"))
            return self._acid.push(self._rests, event, moment, usable)
        return []

    def _rest_volts(self) -> float | None:
        """Rested voltage of the full bank that this discharge began with."""
        if self._rest_full is None or self._run is None:
            return None
        at_ms, volts = self._rest_full
        return volts if abs(at_ms - self._run.start_ms) <= _REST_MS else None

    def _doubted(self, moment: Moment) -> bool:
        return self._doubted_ms is not None and moment.frame.end_ms - self._doubted_ms <= _DOUBT_MS

    def to_plain(self) -> dict[str, Any]:
        return {
            "run": self._run.to_plain() if self._run else None,
            "full": self._full.to_plain(),
            "shorter": self._shorter.to_plain(),
            "rests": self._rests.to_plain(),
            "acid": self._acid.to_plain(),
            "at_depth": self._at_depth.to_plain(),
            "summary": self._summary.to_plain(),
            "cell_ohms": self._cell_ohms,
            "rest_full": self._rest_full,
            "doubted_ms": self._doubted_ms,
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._run = Run.from_plain(plain["run"]) if plain["run"] else None
        self._full.load_plain(plain["full"])
        self._shorter.load_plain(plain["shorter"])
        self._shorter.refer_to(self._full.reference)
        self._rests = AcidRests.from_plain(plain["rests"])
        self._acid.load_plain(plain["acid"])
        self._at_depth.load_plain(plain["at_depth"])
        self._summary.load_plain(plain["summary"])
        self._cell_ohms, self._rest_full = plain["cell_ohms"], plain["rest_full"]
        self._doubted_ms = plain["doubted_ms"]
