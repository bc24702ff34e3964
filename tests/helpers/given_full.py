"""Topics that need to know when the bank is full, without the one that finds it."""

from __future__ import annotations

from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.events import SinceFull
from loggerd.model.finding import Finding

FULL_VOLTS = 57.6


class GivenFull:
    """Stands for the topic that finds the bank full: here it is while its voltage says so."""

    proven = True

    def __init__(self, ground: Ground) -> None:
        del ground
        self.since: SinceFull | None = None

    def push(self, moment: Moment) -> list[Finding]:
        frame = moment.frame
        if frame.volts >= FULL_VOLTS:
            self.since = SinceFull(frame.end_ms, self.proven, 0.0, 0.0, 0)
        elif self.since is not None:
            out = self.since.out_amp_hours + max(0.0, -frame.amp_hours)
            back = self.since.in_amp_hours + max(0.0, frame.amp_hours)
            self.since = SinceFull(self.since.at_ms, self.proven, out, back, 0)
        moment.since_full = self.since
        return []

    def to_plain(self) -> dict[str, Any]:
        return {"since": vars(self.since) if self.since else None}

    def load_plain(self, plain: dict[str, Any]) -> None:
        self.since = SinceFull(**plain["since"]) if plain["since"] else None
