"""What a program tells: into the inbox, by a uid that makes repeating it safe."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import Field

from loggerd.errors import LoggerdError
from loggerd.inbox import new_uid
from loggerd.outputs.web.api.endpoint import Call, Reply
from loggerd.outputs.web.api.schemas import FAULT, TEXT, table, words_of
from loggerd.taking_in import Answer, hand_in

UID_PATTERN = "^[0-9a-z][0-9a-z-]{3,63}$"
UID = Field(
    default=None,
    pattern=UID_PATTERN,
    description="names the request for ever: who sends it again with the same uid has told it once",
)
_WAIT_SECONDS = 2.0
_STATUS = {Answer.TAKEN_IN: 201, Answer.WAITING: 202}
TOLD = table({"uid": TEXT, "answer": words_of(one.value for one in Answer)})
ENTERED = {201: TOLD, 202: TOLD, 409: FAULT}


def enter(call: Call, what: str, uid: str | None, body: Mapping[str, Any]) -> Reply:
    """201 when it is in the record, 202 when the service takes it in at its next commit.

    Raises RequestRefused, StoreError.
    """
    named = uid or new_uid()
    answer = hand_in(call.ask.site, what, named, body, call.ask.clock, _WAIT_SECONDS)
    return Reply(_STATUS[answer], {"uid": named, "answer": answer.value})


def already(uid: str) -> Reply:
    """What was told before by that uid, and is in the record."""
    return Reply(201, {"uid": uid, "answer": Answer.TAKEN_IN.value})


def teller(call: Call) -> str:
    """Whose word it is: the person's or the token's name."""
    who = call.ask.who
    if who is None:
        raise LoggerdError("nobody is signed in")
    return who.name
