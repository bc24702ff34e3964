"""The log book: what was told, newest first, and forms to tell more and to correct."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import quote, urlencode

from starlette.responses import Response

from loggerd.analysis.limit_table import LimitTable
from loggerd.errors import RequestRefused
from loggerd.inbox import new_uid
from loggerd.model.access import Need, Role
from loggerd.model.channels import Quantity
from loggerd.model.hydrometer import judge_round
from loggerd.model.log_book import LogEntry
from loggerd.model.log_kinds import LOG_KINDS, LogKind, log_kind
from loggerd.model.log_values import check_values, happened_fault
from loggerd.model.scan import ClockState
from loggerd.outputs.log_book import corrected_among
from loggerd.outputs.web.asking import Ask, CannotBeUsed, NotThere, Route
from loggerd.outputs.web.handed_in import WAIT_SECONDS, Stage, fate_of, form_uid, is_uid, waiting_body, waiting_words
from loggerd.outputs.web.local_times import local_ms, number_of
from loggerd.outputs.web.log_form import Typed, faults_by_name, form_view, given_of, typed_before
from loggerd.plans import bank_named, limits_of
from loggerd.settings.domain import series_of_bank
from loggerd.store.record import PageWish, TakenIn
from loggerd.taking_in import LOG_ENTRY, hand_in, log_body
from loggerd.wording.log_book import entry_words, kind_words, round_words

_MOST_ENTRIES = 50


@dataclass(frozen=True)
class LineView:
    """One entry of the book, in words. `instead`: uid of the entry that holds in its place; `before`: what the entry
    said that this one corrects.
    """

    number: int
    uid: str
    at: str
    bank: str
    kind: str
    kind_name: str
    words: tuple[str, ...]
    who: str
    corrects: str
    before: str
    instead: str
    known_bank: bool


@dataclass(frozen=True)
class Told:
    """What has become of an entry that was handed in."""

    words: str
    refused: bool = False


# -- the book --


def _book(ask: Ask) -> Response:
    return _list(ask, None)


def _book_of_bank(ask: Ask) -> Response:
    return _list(ask, ask.bank())


def _list(ask: Ask, bank: str | None) -> Response:
    place = "/log" if bank is None else f"/bank/{quote(bank, safe='')}/log"
    named = ask.query.get("entry", "")
    rows, older = [], ""
    if named:
        taken = ask.record.pages.log_entry(named)
        if taken is None or bank not in (None, taken.entry.bank):
            raise NotThere("there is no such entry in the log book; one that still waits is not there yet")
        rows = [taken]
    else:
        wish = PageWish(_MOST_ENTRIES + 1, number_of(ask.query.get("before", "")))
        rows = ask.record.pages.log(bank, wish)
        if len(rows) > _MOST_ENTRIES:
            rows = rows[:_MOST_ENTRIES]
            older = f"{place}?{urlencode({'before': str(rows[-1].id)})}"
    replaced = corrected_among(rows, ask.record.pages.log_corrections())
    values: dict[str, Any] = {} if bank is None else {"bank": bank}
    return ask.page(
        "log.html",
        place=place,
        of=bank,
        lines=_lines(ask, rows, replaced),
        older=older,
        whole=not named and "before" not in ask.query,
        told=_told(ask),
        keeper=ask.who is not None and ask.who.role is Role.KEEPER,
        **values,
    )


def _lines(ask: Ask, rows: Sequence[TakenIn], replaced: Mapping[str, str]) -> list[LineView]:
    known = {bank.name for bank in ask.site.banks}
    judged = {one.entry.bank for one in rows if one.entry.kind == "hydrometer_round"} & known
    limits = {name: limits_of(bank_named(ask.site, name)[1]) for name in judged}
    return [_line(ask, one, replaced, limits.get(one.entry.bank), one.entry.bank in known) for one in rows]


def _line(
    ask: Ask, taken: TakenIn, replaced: Mapping[str, str], limits: LimitTable | None, known_bank: bool
) -> LineView:
    entry = taken.entry
    words = [entry_words(entry)]
    former = ask.record.pages.log_entry(entry.corrects) if entry.corrects else None
    if entry.kind == "hydrometer_round" and limits is not None:
        then = limits.at(entry.happened_at_ms)
        words.append(round_words(judge_round(entry, then), then["specific_gravity_celsius"]))
    return LineView(
        taken.id,
        entry.uid,
        ask.words.instant(entry.happened_at_ms),
        entry.bank,
        kind_words(entry.kind),
        entry.kind,
        tuple(one for one in words if one),
        entry.who,
        entry.corrects or "",
        "" if former is None else entry_words(former.entry),
        replaced.get(entry.uid, ""),
        known_bank,
    )


def _told(ask: Ask) -> Told | None:
    uid = ask.query.get("told", "")
    if not is_uid(uid):
        return None
    if ask.record.pages.log_entry(uid) is not None:
        return Told(f"Written down, as entry {uid}.")
    fate = fate_of(ask, uid)
    if fate.stage is Stage.WAITING:
        return Told(f"Entry {uid} is kept: {waiting_words(ask)}. Open this page again to see it.")
    if fate.stage is Stage.REFUSED:
        return Told(f"Entry {uid} was refused: {fate.why}", True)
    return None


# -- the form --


@dataclass(frozen=True)
class _Sheet:
    """What a form is about, and what stands in it. `day` and `clock`: local date and time as typed."""

    kind: LogKind
    uid: str
    former: LogEntry | None
    day: str
    clock: str
    typed: Typed


def _new(ask: Ask) -> Response:
    bank = ask.bank()
    if not ask.query.get("kind") and not ask.query.get("corrects"):
        return ask.page("log_kinds.html", bank=bank, kinds=LOG_KINDS)
    former = _former(ask, bank, ask.query.get("corrects", ""))
    kind = _kind(ask.query.get("kind", former.kind if former else ""), former)
    at = ask.words.local(former.happened_at_ms if former else ask.clock.wall_ms())
    given = typed_before(former.data, former.text, kind, ask.words) if former else {}
    return _form(ask, bank, _Sheet(kind, new_uid(), former, f"{at:%Y-%m-%d}", f"{at:%H:%M}", Typed(given)))


def _kind(name: str, former: LogEntry | None) -> LogKind:
    try:
        kind = log_kind(name)
    except KeyError:
        raise NotThere("there is no such kind of entry") from None
    if former is not None and former.kind != kind.name:
        raise CannotBeUsed("a correction is of the same kind as what it corrects")
    return kind


def _former(ask: Ask, bank: str, uid: str) -> LogEntry | None:
    """The entry that is corrected; of one that was corrected already, that one all the same."""
    if not uid:
        return None
    taken = ask.record.pages.log_entry(uid)
    if taken is None or taken.entry.bank != bank:
        raise NotThere("there is no such entry in the log book of this bank")
    return taken.entry


def _form(ask: Ask, bank: str, sheet: _Sheet, status: int = 200) -> Response:
    model = bank_named(ask.site, bank)[0]
    measured = (one.channel for one in series_of_bank(ask.site, bank))
    channels = dict.fromkeys(one.name for one in measured if one.quantity in (Quantity.VOLTS, Quantity.AMPS))
    now = ask.words.instant(ask.clock.wall_ms())
    return ask.page(
        "log_form.html",
        status,
        bank=bank,
        sheet=sheet,
        view=form_view(sheet.kind, model, channels, sheet.typed, ask.words),
        zone=f"local time of the site ({ask.zone.key}); by the logger's clock it is {now}",
        when_fault=sheet.typed.faults.get("when", ""),
        clock_set=ask.clock.state() is ClockState.SET,
    )


def _write(ask: Ask) -> Response:
    """Check and hand in. What is wrong is shown with all that was typed still there."""
    bank, uid = ask.bank(), form_uid(ask)
    former = _former(ask, bank, ask.form.get("corrects", ""))
    kind = _kind(ask.form.get("kind", ""), former)
    shown, given = given_of(ask.form, kind, ask.words)
    checked = check_values(kind.name, bank_named(ask.site, bank)[0], given)
    faults = faults_by_name(checked.faults, kind)
    day, clock = ask.form.get("day", ""), ask.form.get("clock", "")
    happened_ms = _happened(ask, former, day, clock, faults)
    sheet = _Sheet(kind, uid, former, day, clock, Typed(shown, faults))
    if faults:
        return _form(ask, bank, sheet, 400)
    assert ask.who is not None
    corrects = former.uid if former else None
    entry = LogEntry(uid, bank, kind.name, happened_ms, ask.who.name, checked.data, checked.text, corrects)
    if fault := _hand_in(ask, entry):
        return _form(ask, bank, replace(sheet, typed=Typed(shown, {"": fault})), 409)
    return ask.go_to(f"/bank/{quote(bank, safe='')}/log?{urlencode({'told': uid})}")


def _happened(ask: Ask, former: LogEntry | None, day: str, clock: str, faults: dict[str, str]) -> int:
    now_ms = ask.clock.wall_ms()
    try:
        told_ms = local_ms(day, clock, ask.zone)
    except ValueError as error:
        faults["when"] = f'found "{day[:20]} {clock[:20]}"; expected {error}'
        return now_ms
    if former is not None and told_ms // 60_000 == former.happened_at_ms // 60_000:
        return former.happened_at_ms
    if expected := happened_fault(told_ms, now_ms):
        unset = "" if ask.clock.state() is ClockState.SET else " (the clock of the logger is not set)"
        by = ask.words.instant(now_ms)
        faults["when"] = f"found {day} {clock}; expected {expected}; by the logger's clock it is {by}{unset}"
    return told_ms


def _hand_in(ask: Ask, entry: LogEntry) -> str:
    """Hand it in; the same form sent twice makes one entry. Returns why it was not taken, "" if it was or waits."""
    known = ask.record.pages.log_entry(entry.uid)
    said = waiting_body(ask, entry.uid) if known is None else log_body(known.entry)
    if said is None:
        try:
            hand_in(ask.site, LOG_ENTRY, entry.uid, log_body(entry), ask.clock, WAIT_SECONDS)
        except RequestRefused as refused:
            return f"this was not written down: {refused}"
        return ""
    if dict(said) == log_body(entry):
        return ""
    return (
        f"this form was sent before, with other values, and made entry {entry.uid}. To change it, correct that entry in"
        " the log book; for another entry, begin a new form"
    )


ROUTES: tuple[Route, ...] = (
    Route("/log", _book, Need.READER),
    Route("/bank/{bank}/log", _book_of_bank, Need.READER),
    Route("/bank/{bank}/log/new", _new, Need.KEEPER),
    Route("/bank/{bank}/log/new", _write, Need.KEEPER, "POST"),
)
