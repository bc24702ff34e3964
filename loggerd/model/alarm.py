"""Alarms in the terms of ANSI/ISA-18.2 and IEC 62682: what is alarmed, in which state, and every change of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum

from loggerd.model.ledger import Figure, Instant


class AlarmState(Enum):
    """The standard's states. The three last hide an alarm; it is followed all the same."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned to normal unacknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


class AlarmEvent(Enum):
    """What moves an alarm from state to state."""

    RAISED = "raised"
    """The condition has been true for the on-delay."""
    CLEARED = "cleared"
    """The condition has been false for the off-delay."""
    ACKNOWLEDGED = "acknowledged"
    RE_ALARMED = "re-alarmed"
    """It still stands after the re-alarm time, or has become worse."""
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SUPPRESSED = "suppressed"
    UNSUPPRESSED = "unsuppressed"
    REMOVED = "taken out of service"
    RETURNED = "returned to service"


class Priority(Enum):
    """How soon somebody must act. CRITICAL is for danger to people: quiet hours do not hold it back."""

    CRITICAL = "critical"
    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


class Visit(Enum):
    """When somebody has to go there."""

    NOW = "now"
    WEEK = "this week"
    ROUND = "next round"


@dataclass(frozen=True, order=True)
class AlarmKey:
    """What an alarm is about. `bank` is "" for the logger itself and its instruments."""

    bank: str
    condition: str
    subject: str


@dataclass(frozen=True)
class ConditionNow:
    """A condition as it stands, before delays. `evidence`: figures with bands that the texts may show.

    `since`: when the state that it speaks of began, as far as is known. `reason`: why, in words. `level` tells worse
    from bad where a condition has steps (0 the least). `known` is False where it cannot be told now: its alarm then
    stays as it is, for silence is not health. `follows`: alarms that would explain it, where whoever tells it knows
    them (the device that a channel comes from).
    """

    key: AlarmKey
    true: bool
    known: bool = True
    since: Instant | None = None
    evidence: tuple[Figure, ...] = ()
    reason: str = ""
    level: int = 0
    follows: tuple[AlarmKey, ...] = ()


@dataclass(frozen=True)
class Alarm:
    """An alarm as it stands at one instant.

    `active`: the condition holds, delays counted. `pending`: since when the condition differs from `active` (on the
    analysis axis), None if it does not. `raised`: when it last became active; `cleared`: when it ceased to be, None
    while it is; `acknowledged_by`: who did since it was raised. `shelved_until_ms`: when it leaves the shelf by itself;
    `one_shot`: or as soon as it clears. `root`: the alarm that it follows from, `follows`: those that it was said to.
    `hold`: factor on the off-delay of one that comes and goes; `told`: how often it has become active in that time.
    `acted_ms`: last change of state, from which the re-alarm time runs. `quiet`: since when something lasts that
    suppresses it by design, whether or not it has anything to tell.
    """

    key: AlarmKey
    state: AlarmState = AlarmState.NORMAL
    active: bool = False
    pending: Instant | None = None
    raised: Instant | None = None
    cleared: Instant | None = None
    since: Instant | None = None
    acknowledged_by: str = ""
    shelved_until_ms: int | None = None
    one_shot: bool = False
    root: AlarmKey | None = None
    level: int = 0
    hold: int = 1
    told: int = 0
    acted_ms: int = 0
    evidence: tuple[Figure, ...] = ()
    reason: str = ""
    follows: tuple[AlarmKey, ...] = ()
    quiet: Instant | None = None


@dataclass(frozen=True)
class AlarmChange:
    """One change of an alarm's state, as it is recorded; of an acknowledgement that changed nothing as well.

    `at`: when it fell due, which may lie before the look that noticed it. `who` is "loggerd" for what happened by
    itself. `root`: the alarm that it follows from.
    """

    key: AlarmKey
    at: Instant
    event: AlarmEvent
    before: AlarmState
    after: AlarmState
    who: str
    why: str = ""
    root: AlarmKey | None = None
    evidence: tuple[Figure, ...] = ()


@dataclass(frozen=True)
class KeeperAction:
    """What a keeper asks of an alarm. `event`: ACKNOWLEDGED, SHELVED, UNSHELVED, REMOVED or RETURNED.

    `until_ms`: of a shelving, when it ends at the latest. `one_shot`: a shelving that also ends when the alarm clears;
    it may be without `until_ms`.
    """

    key: AlarmKey
    event: AlarmEvent
    who: str
    why: str = ""
    until_ms: int | None = None
    one_shot: bool = False


@dataclass(frozen=True)
class AlarmResults:
    """What one look at the conditions came to: alarms that differ from before, and the changes, in order.

    `gone`: alarms that nothing needs to be known of any more; their rows may go, their history stays.
    """

    alarms: tuple[Alarm, ...] = ()
    changes: tuple[AlarmChange, ...] = ()
    refused: tuple[tuple[KeeperAction, str], ...] = field(default=())
    """Actions that the alarm's state does not allow, and why."""
    gone: tuple[AlarmKey, ...] = ()


def both(first: AlarmResults, then: AlarmResults) -> AlarmResults:
    """Two looks that follow each other, as one: of an alarm that both changed, as it stands after the second."""
    alarms = {one.key: one for one in (*first.alarms, *then.alarms)}
    gone = tuple(key for key in dict.fromkeys((*first.gone, *then.gone)) if key not in {one.key for one in then.alarms})
    return AlarmResults(tuple(alarms.values()), first.changes + then.changes, first.refused + then.refused, gone)
