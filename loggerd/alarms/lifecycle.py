"""The life cycle of an alarm: the transition table of ANSI/ISA-18.2 / IEC 62682, as far as it was read.

The texts of both standards are not free; states and names follow published accounts of them (OPC 10000-9 for
acknowledging, shelving and re-alarming; a maker's list of the numbered states), the table as a whole is from memory.
"""

from __future__ import annotations

from loggerd.model.alarm import AlarmEvent, AlarmState

_S, _E = AlarmState, AlarmEvent
_SHOWN = (_S.NORMAL, _S.UNACKNOWLEDGED, _S.ACKNOWLEDGED, _S.RETURNED)
_HIDDEN = (_S.SHELVED, _S.SUPPRESSED, _S.OUT_OF_SERVICE)

BY_CONDITION = None
"""In the table: the state follows from whether the condition holds."""

TRANSITIONS: dict[tuple[AlarmState, AlarmEvent], AlarmState | None] = {
    (_S.NORMAL, _E.RAISED): _S.UNACKNOWLEDGED,
    (_S.NORMAL, _E.ACKNOWLEDGED): _S.NORMAL,
    (_S.ACKNOWLEDGED, _E.ACKNOWLEDGED): _S.ACKNOWLEDGED,
    (_S.UNACKNOWLEDGED, _E.ACKNOWLEDGED): _S.ACKNOWLEDGED,
    (_S.UNACKNOWLEDGED, _E.CLEARED): _S.RETURNED,
    (_S.ACKNOWLEDGED, _E.CLEARED): _S.NORMAL,
    (_S.ACKNOWLEDGED, _E.RE_ALARMED): _S.UNACKNOWLEDGED,
    (_S.RETURNED, _E.ACKNOWLEDGED): _S.NORMAL,
    (_S.RETURNED, _E.RAISED): _S.UNACKNOWLEDGED,
    **{(state, _E.SHELVED): _S.SHELVED for state in _SHOWN},
    **{(state, _E.SUPPRESSED): _S.SUPPRESSED for state in _SHOWN},
    **{(state, _E.REMOVED): _S.OUT_OF_SERVICE for state in (*_SHOWN, _S.SHELVED, _S.SUPPRESSED)},
    **{(state, event): state for state in _HIDDEN for event in (_E.RAISED, _E.CLEARED)},
    (_S.SHELVED, _E.UNSHELVED): BY_CONDITION,
    (_S.SUPPRESSED, _E.UNSUPPRESSED): BY_CONDITION,
    (_S.OUT_OF_SERVICE, _E.RETURNED): BY_CONDITION,
}
"""(state, event): the state after it. What is not here does not happen.

To acknowledge what is normal or acknowledged changes nothing, but is recorded.
"""


def after(state: AlarmState, event: AlarmEvent, active: bool) -> AlarmState | None:
    """The state after an event; None if the event is not allowed in this state.

    `active`: whether the condition holds, which decides the state of an alarm that is no longer hidden.
    """
    if (state, event) not in TRANSITIONS:
        return None
    found = TRANSITIONS[state, event]
    if found is BY_CONDITION:
        return AlarmState.UNACKNOWLEDGED if active else AlarmState.NORMAL
    return found
