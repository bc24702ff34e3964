"""What an entry of the catalogue of alarm conditions is."""

from __future__ import annotations

from dataclasses import dataclass

from loggerd.model.alarm import Priority, Visit


@dataclass(frozen=True)
class AlarmCondition:
    """One condition that is alarmed. An alarm that needs no action has no place here.

    `findings`: (name of a finding, verdicts) that make it true. `on_delay_ms`, `off_delay_ms`: how long it must hold,
    or be gone. `respond_hours`: by when somebody must have acted. `safety`: quiet hours and suppression do not hold
    it. `roots`: conditions from which it follows: while one of them stands for the same bank (and, with
    `same_subject`, the same block), it is told under that one. `quiet_while`: kinds of log-book entries that suppress
    it by design while they last ("equalizing"). `re_alarm_hours`: told anew if it still stands, 0 never. `source`:
    of delays and priority. Its words are in the texts of each language, by `name`.
    """

    name: str
    priority: Priority
    visit: Visit
    respond_hours: float
    findings: tuple[tuple[str, tuple[str, ...]], ...] = ()
    on_delay_ms: int = 0
    off_delay_ms: int = 0
    safety: bool = False
    roots: tuple[str, ...] = ()
    same_subject: bool = False
    quiet_while: tuple[str, ...] = ()
    re_alarm_hours: float = 0.0
    source: str = "own"
