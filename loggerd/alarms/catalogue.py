"""What an entry of the catalogue of alarm conditions is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from loggerd.model.alarm import Priority, Visit

MINUTE_MS = 60_000
HOUR_MS = 3_600_000
DAY_HOURS = 24.0


@dataclass(frozen=True)
class AlarmCondition:
    """One condition that is alarmed. An alarm that needs no action has no place here.

    `findings`: (name of a finding, verdicts, the least bad first) that make it true. `on_delay_ms`, `off_delay_ms`: how
    long it must hold, or be gone. `respond_hours`: by when somebody must have acted. `safety`: quiet hours and
    suppression do not hold it. `roots`: conditions from which it follows: while one of them stands for the same bank
    (or for the site), it is told under that one; `roots_here`: those from which it follows at the same block, string
    or sensor only. `quiet_while`: what suppresses it by design while it lasts, by the names of QUIET_TIMES.
    `re_alarm_hours`: told anew if it still stands, 0 never. `source`: of delays and priority. Its words are in the
    texts of each language, by `name`.
    """

    name: str
    priority: Priority
    visit: Visit
    respond_hours: float
    findings: tuple[tuple[str, tuple[str, ...]], ...] = ()
    on_delay_ms: int = 0
    off_delay_ms: int = HOUR_MS
    safety: bool = False
    roots: tuple[str, ...] = ()
    roots_here: tuple[str, ...] = ()
    quiet_while: tuple[str, ...] = ()
    re_alarm_hours: float = 0.0
    source: str = "common practice, no source"

    def holds_back(self, quiet: Mapping[str, str]) -> str | None:
        """Why it is suppressed by design, None if it is not. `quiet`: what lasts now, and why."""
        if self.safety:
            return None
        return next((quiet[name] for name in self.quiet_while if name in quiet), None)
