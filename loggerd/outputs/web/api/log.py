"""The log book: what was told, a page at a time, and a new entry."""

from __future__ import annotations

from typing import Any

from pydantic import Field

from loggerd.model.access import Need
from loggerd.model.log_book import LogEntry
from loggerd.model.log_kinds import LOG_KINDS
from loggerd.model.log_values import MOST_CHARACTERS, check_values, happened_fault, typed_again
from loggerd.outputs.log_book import corrected_among, log_values
from loggerd.outputs.web.api.endpoint import BASE, Body, Call, Endpoint, Reply
from loggerd.outputs.web.api.entering import ENTERED, UID, already, enter, teller
from loggerd.outputs.web.api.kinds import TIME_PATTERN, time_ms
from loggerd.outputs.web.api.looking import BANK, PAGED, bank_asked_for, page_of, wish_of
from loggerd.outputs.web.api.schemas import LOG_ROW, paged
from loggerd.outputs.web.asking import CannotBeUsed
from loggerd.plans import bank_named
from loggerd.store.record import TakenIn
from loggerd.taking_in import LOG_ENTRY, log_body

_MOST_VALUES = 2_000
_LARGEST = 10**15
_KINDS = "^(" + "|".join(one.name for one in LOG_KINDS) + ")$"


class NewEntry(Body):
    """What somebody did to a bank, or measured by hand."""

    of_a_bank = True
    bank: str = Field(min_length=1, max_length=60, description="the name of the bank")
    kind: str = Field(pattern=_KINDS, description="what it tells of")
    happened: str | None = Field(
        default=None,
        pattern=TIME_PATTERN,
        description="when it happened (ISO-8601; without an offset local time of the site); now without it",
    )
    data: dict[str, str | bool | int | float] = Field(
        default_factory=dict, max_length=_MOST_VALUES, description="values by name, in the units of the kind"
    )
    text: str = Field(default="", max_length=MOST_CHARACTERS, description="words")
    corrects: str | None = Field(
        default=None,
        max_length=64,
        description="uid of the entry, of the same bank and kind, that this takes the place of",
    )
    uid: str | None = UID


def _list(call: Call) -> dict[str, Any]:
    bank = bank_asked_for(call)
    found = call.ask.record.pages.log(bank, wish_of(call))
    corrected = corrected_among(found, call.ask.record.pages.log_corrections())

    def values(one: TakenIn) -> dict[str, Any]:
        return log_values(one, corrected)

    return page_of(call, "log", found, lambda one: one.id, values)


def _enter(call: Call) -> Reply:
    new: NewEntry = call.body
    entry = _entry(call, new)
    known = None if new.uid is None else call.ask.record.pages.log_entry(new.uid)
    if known is None:
        return enter(call, LOG_ENTRY, new.uid, log_body(entry))
    same_time = new.happened is None or known.entry.happened_at_ms == entry.happened_at_ms
    if _content(known.entry) != _content(entry) or not same_time:
        return Reply(409, {"fault": f"uid: an entry {known.entry.uid} that says something else is in the record"})
    return already(known.entry.uid)


def _content(entry: LogEntry) -> tuple[object, ...]:
    return entry.bank, entry.kind, dict(entry.data), entry.text, entry.corrects


def _entry(call: Call, new: NewEntry) -> LogEntry:
    """Raises CannotBeUsed with all that is wrong."""
    banks = [one.name for one in call.ask.site.banks]
    if new.bank not in banks:
        raise CannotBeUsed(f"bank: there is no such bank; this site has: {', '.join(banks)}")
    faults: list[str] = []
    now_ms = call.ask.clock.wall_ms()
    happened_ms = _happened(call, new, now_ms, faults)
    checked = check_values(new.kind, bank_named(call.ask.site, new.bank)[0], _typed(new, faults))
    faults += checked.faults
    if new.corrects is not None:
        former = call.ask.record.pages.log_entry(new.corrects)
        if former is None or (former.entry.bank, former.entry.kind) != (new.bank, new.kind):
            faults.append("corrects: expected the uid of an entry of the same bank and kind that is in the record")
    if faults:
        raise CannotBeUsed("; ".join(faults))
    who, uid = teller(call), new.uid or ""
    return LogEntry(uid, new.bank, new.kind, happened_ms, who, checked.data, checked.text, new.corrects)


def _happened(call: Call, new: NewEntry, now_ms: int, faults: list[str]) -> int:
    if new.happened is None:
        return now_ms
    try:
        told_ms = time_ms(new.happened, call.ask.zone)
    except ValueError as error:
        faults.append(f"happened: expected {error}")
        return now_ms
    if expected := happened_fault(told_ms, now_ms):
        faults.append(f"happened: expected {expected}")
    return told_ms


def _typed(new: NewEntry, faults: list[str]) -> dict[str, str]:
    """Values as they could have been typed, by which they are checked like a keeper's."""
    if "text" in new.data:
        faults.append("data: text stands beside it, not in it")
    data = {name: value for name, value in new.data.items() if name != "text"}
    large = [name for name, value in data.items() if isinstance(value, int) and abs(value) > _LARGEST]
    if large:
        faults.append(f"data: {', '.join(large[:5])}: a number is too large")
    return typed_again({name: value for name, value in data.items() if name not in large}, new.text)


ENDPOINTS = (
    Endpoint(
        "log",
        f"{BASE}/log",
        "The log book: what people did and measured by hand, by when it happened, newest first.",
        _list,
        {200: paged("log", LOG_ROW)},
        parameters=(BANK, *PAGED),
    ),
    Endpoint(
        "log_enter",
        f"{BASE}/log",
        "A new entry for the log book. It is never changed afterwards; a correction is an entry of its own.",
        _enter,
        ENTERED,
        need=Need.KEEPER,
        method="POST",
        body=NewEntry,
    ),
)
