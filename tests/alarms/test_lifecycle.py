"""The table of the life cycle against an independent writing of the published one, pair by pair."""

from __future__ import annotations

import itertools

import pytest

from loggerd.alarms.lifecycle import after
from loggerd.model.alarm import AlarmEvent, AlarmState

A, B, C, D = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED
E, F, G = AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE
LIVE = "A or B by the live condition"

# Rows: event; columns: state before, in the order A B C D E F G. "." does not happen. After published accounts of
# ISA-18.2 / IEC 62682 and OPC 10000-9 (5.8); what is raised or clears while hidden stays hidden.
PUBLISHED = {
    #                         A    B    C    D    E     F     G
    AlarmEvent.RAISED: "B    .    .    B    E     F     G",
    AlarmEvent.CLEARED: ".    D    A    .    E     F     G",
    AlarmEvent.ACKNOWLEDGED: "A    C    C    A    .     .     .",
    AlarmEvent.RE_ALARMED: "  .    .    B    .    .     .     .",
    AlarmEvent.SHELVED: "     E    E    E    E    .     .     .",
    AlarmEvent.UNSHELVED: "   .    .    .    .    live  .     .",
    AlarmEvent.SUPPRESSED: "  F    F    F    F    .     .     .",
    AlarmEvent.UNSUPPRESSED: ".    .    .    .    .     live  .",
    AlarmEvent.REMOVED: "     G    G    G    G    G     G     .",
    AlarmEvent.RETURNED: "    .    .    .    .    .     .     live",
}
STATES = dict(zip("ABCDEFG", (A, B, C, D, E, F, G), strict=True))


def published(state: AlarmState, event: AlarmEvent, active: bool) -> AlarmState | None:
    column = list(STATES.values()).index(state)
    word = PUBLISHED[event].split()[column]
    if word == "live":
        return B if active else A
    return STATES.get(word)


@pytest.mark.parametrize(("state", "event", "active"), list(itertools.product(AlarmState, AlarmEvent, (False, True))))
def test_every_pair_is_as_published(state: AlarmState, event: AlarmEvent, active: bool) -> None:
    assert after(state, event, active) is published(state, event, active)


def test_every_state_can_be_reached_and_left() -> None:
    reached, new = {A}, {A}
    while new:
        found = {after(state, event, active) for state in new for event in AlarmEvent for active in (False, True)}
        new = {state for state in found if state is not None} - reached
        reached |= new
    assert reached == set(AlarmState)
    for state in AlarmState:
        assert {after(state, event, active) for event in AlarmEvent for active in (False, True)} - {state, None}
