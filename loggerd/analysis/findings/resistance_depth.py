"""How far a bank is drawn below the fullest that it has been of late: what resistances are matched by."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from loggerd.analysis.findings.events import SinceFull
from loggerd.analysis.frames import DAY_MS, Frame

_DAYS = 4


@dataclass
class Depth:
    """`net`: amp-hours drawn, less those put in; `least`: [day, lowest net of it] of the latest days.

    The counter is set to zero whenever the bank is found full. In between, overcharge and the error of the current
    sensor make it drift, so depth is counted from the lowest of the latest days.
    """

    net: float = 0.0
    least: list[list[Any]] = field(default_factory=list)

    def push(self, frame: Frame, since: SinceFull | None) -> None:
        day = frame.start_ms // DAY_MS
        if since is not None and since.at_ms == frame.end_ms:
            self.net, self.least = 0.0, [[day, 0.0]]
            return
        if frame.after_unknown:
            self.least = []
        self.net -= frame.amp_hours
        if self.least and self.least[-1][0] == day:
            self.least[-1][1] = min(self.least[-1][1], self.net)
        else:
            self.least = [*self.least, [day, self.net]][-_DAYS:]

    @property
    def amp_hours(self) -> float:
        """Below the fullest of late; 0 at the beginning."""
        return self.net - min((one[1] for one in self.least), default=self.net)
