"""Alarms: what stands, every change, and what keepers say to it."""

from __future__ import annotations

from typing import Any

from pydantic import Field

from loggerd.alarms.due import LONGEST_SHELF_HOURS, shelf_end_ms
from loggerd.alarms.lifecycle import after
from loggerd.model.access import Need
from loggerd.model.alarm import Alarm, AlarmEvent, AlarmKey, AlarmState, KeeperAction, Priority
from loggerd.model.log_values import MOST_CHARACTERS
from loggerd.outputs.alarms_json import alarm_values, change_values
from loggerd.outputs.web.api.endpoint import BASE, Body, Call, Endpoint, Reply
from loggerd.outputs.web.api.entering import ENTERED, UID, already, enter, teller
from loggerd.outputs.web.api.looking import BANK, PAGED, bank_asked_for, instants, page_of, wish_of
from loggerd.outputs.web.api.schemas import ALARM, CHANGE, paged, rows, table
from loggerd.outputs.web.asking import CannotBeUsed, NotThere
from loggerd.taking_in import ALARM_ACTION, action_body
from loggerd.wording.alarm_part import condition_for

ACTS = {
    "acknowledge": AlarmEvent.ACKNOWLEDGED,
    "shelve": AlarmEvent.SHELVED,
    "unshelve": AlarmEvent.UNSHELVED,
    "remove": AlarmEvent.REMOVED,
    "return": AlarmEvent.RETURNED,
}


class Act(Body):
    """What a keeper says to an alarm. `shelve` needs `hours`."""

    bank: str = Field(max_length=60, description="the bank, as the alarm's key has it; empty for the logger itself")
    condition: str = Field(min_length=1, max_length=100, description="the condition, as the alarm's key has it")
    subject: str = Field(max_length=200, description="what it is about, as the alarm's key has it")
    act: str = Field(pattern=f"^({'|'.join(ACTS)})$", description="what is asked for")
    why: str = Field(default="", max_length=MOST_CHARACTERS, description="a reason, kept with the change")
    hours: float | None = Field(default=None, gt=0, le=LONGEST_SHELF_HOURS, description="how long to shelve")
    one_shot: bool = Field(default=False, description="shelved only until it clears, at the longest for `hours`")
    uid: str | None = UID


def _alarms(call: Call) -> dict[str, Any]:
    bank, text = bank_asked_for(call), instants(call)
    order = {priority: number for number, priority in enumerate(Priority)}

    def urgency(alarm: Alarm) -> tuple[int, AlarmKey]:
        condition = condition_for(alarm.key)
        return (len(order) if condition is None else order[condition.priority], alarm.key)

    found = [
        one for one in call.ask.record.alarms() if one.state is not AlarmState.NORMAL and bank in (None, one.key.bank)
    ]
    return {"alarms": [alarm_values(one, call.ask.words, text) for one in sorted(found, key=urgency)]}


def _history(call: Call) -> dict[str, Any]:
    bank, text = bank_asked_for(call), instants(call)
    found = call.ask.record.pages.alarm_changes(bank, wish_of(call))
    return page_of(call, "changes", found, lambda one: one.id, lambda one: change_values(one.change, text))


def _act(call: Call) -> Reply:
    asked: Act = call.body
    if not asked.why.isprintable():
        raise CannotBeUsed("why: expected text on one line")
    if (asked.hours is None) != (asked.act != "shelve"):
        raise CannotBeUsed(f"hours: expected a number up to {LONGEST_SHELF_HOURS} with shelve, and with nothing else")
    if asked.one_shot and asked.act != "shelve":
        raise CannotBeUsed("one_shot: goes with shelve only")
    key, event = AlarmKey(asked.bank, asked.condition, asked.subject), ACTS[asked.act]
    alarm = next((one for one in call.ask.record.alarms() if one.key == key), None)
    if alarm is None:
        raise NotThere("there is no such alarm")
    if asked.uid is not None and _is_done(call, alarm, event):
        return already(asked.uid)
    if after(alarm.state, event, alarm.active) is None:
        return Reply(409, {"fault": f'the alarm is "{alarm.state.value}": {asked.act} is not possible there'})
    until_ms = None if asked.hours is None else shelf_end_ms(call.ask.clock.wall_ms(), asked.hours)
    action = KeeperAction(key, event, teller(call), asked.why, until_ms, asked.one_shot)
    return enter(call, ALARM_ACTION, asked.uid, action_body(action))


def _is_done(call: Call, alarm: Alarm, event: AlarmEvent) -> bool:
    """Whether the same one asked for the same before, and it still stands so: nothing is left to be done."""
    last = call.ask.record.last_alarm_change(alarm.key, event)
    raised = call.ask.record.last_alarm_change(alarm.key, AlarmEvent.RAISED)
    if last is None or last.change.who != teller(call) or last.change.after is not alarm.state:
        return False
    return raised is None or raised.id < last.id


ENDPOINTS = (
    Endpoint(
        "alarms",
        f"{BASE}/alarms",
        "Alarms that are not normal, the most urgent first; also those that are shelved, suppressed or out of service.",
        _alarms,
        {200: table({"alarms": rows(ALARM)})},
        parameters=(BANK,),
    ),
    Endpoint(
        "alarms_history",
        f"{BASE}/alarms/history",
        "Every change of an alarm, with who and when, newest first.",
        _history,
        {200: paged("changes", CHANGE)},
        parameters=(BANK, *PAGED),
    ),
    Endpoint(
        "alarms_act",
        f"{BASE}/alarms/act",
        "Acknowledge an alarm, shelve it, take it out of service, or back.",
        _act,
        ENTERED,
        need=Need.KEEPER,
        method="POST",
        body=Act,
    ),
)
