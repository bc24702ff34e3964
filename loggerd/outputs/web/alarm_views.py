"""Alarms as the pages show them: what stands, grouped under its root; what is hidden, with why and until when."""

from __future__ import annotations

import hashlib
from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import partial

from loggerd.alarms.due import LONGEST_SHELF_HOURS
from loggerd.alarms.lifecycle import after
from loggerd.analysis.axis import SessionAxis, shown_ms
from loggerd.analysis.findings import newest
from loggerd.letters import Letters
from loggerd.model.alarm import Alarm, AlarmEvent, AlarmKey, AlarmState
from loggerd.model.finding import Finding
from loggerd.outputs.web.asking import Ask
from loggerd.store.record import StoredAlarmChange
from loggerd.wording.alarm_part import Site, headline, in_full
from loggerd.wording.details import Details
from loggerd.wording.filling import capital, one_line
from loggerd.wording.layout import Element, Facts, Heading, Paragraph, Title
from loggerd.wording.reader import Reader
from loggerd.wording.standing import HIDDEN, by_urgency, groups_of, item_of, shown

_HIDES = {
    AlarmState.SHELVED: AlarmEvent.SHELVED,
    AlarmState.SUPPRESSED: AlarmEvent.SUPPRESSED,
    AlarmState.OUT_OF_SERVICE: AlarmEvent.REMOVED,
}


@dataclass(frozen=True)
class Act:
    """Something that a keeper can ask of an alarm. `hours`: of a shelf."""

    name: str
    event: AlarmEvent
    label: str
    hours: int = 0

    @property
    def needs_why(self) -> bool:
        return self.event in (AlarmEvent.SHELVED, AlarmEvent.REMOVED)


ACTS = (
    Act("acknowledge", AlarmEvent.ACKNOWLEDGED, "Acknowledge"),
    Act("shelve_8", AlarmEvent.SHELVED, "Shelve for 8 hours", 8),
    Act("shelve_24", AlarmEvent.SHELVED, "Shelve for 1 day", 24),
    Act("shelve_168", AlarmEvent.SHELVED, "Shelve for 7 days", 168),
    Act("shelve_720", AlarmEvent.SHELVED, "Shelve for 30 days", LONGEST_SHELF_HOURS),
    Act("remove", AlarmEvent.REMOVED, "Take out of service"),
    Act("unshelve", AlarmEvent.UNSHELVED, "Take off the shelf"),
    Act("return", AlarmEvent.RETURNED, "Put back into service"),
)


@dataclass(frozen=True)
class AlarmView:
    """One alarm, in words. `parts`: what to do, and with what care; `behind`: what was seen and its likely causes.
    Of the whole text, each with the name of its kind, by which the template goes."""

    key: AlarmKey
    anchor: str
    title: str
    above: str
    tone: str
    sentence: str
    facts: tuple[tuple[str, str], ...]
    parts: tuple[tuple[str, Element], ...]
    behind: tuple[tuple[str, Element], ...]
    acts: tuple[Act, ...]
    following: tuple[AlarmView, ...] = ()


@dataclass(frozen=True)
class AlarmsView:
    """All alarms that are not normal, the most urgent first. `count`: of those that stand, in groups or not."""

    standing: tuple[AlarmView, ...]
    hidden: tuple[AlarmView, ...]
    count: int


@dataclass(frozen=True)
class ChangeView:
    """One change of an alarm, in words."""

    number: int
    at: str
    title: str
    event: str
    now: str
    who: str
    why: str


def alarms_view(ask: Ask) -> AlarmsView:
    """What stands and what is hidden."""
    axes = ask.axes
    alarms = [shown(one, partial(shown_ms, axes)) for one in ask.record.alarms() if one.state is not AlarmState.NORMAL]
    banks = sorted({one.key.bank for one in alarms} & {one.name for one in ask.site.banks})
    found = {bank: newest(one.finding for one in ask.record.newest_findings(bank)) for bank in banks}
    site = Letters(ask.site).site(ask.record)
    views = {one.key: _view(ask, one, found.get(one.key.bank, ()), site, axes) for one in alarms}
    told = [one for one in alarms if one.state not in HIDDEN]
    standing = tuple(
        replace(views[group.root.key], following=tuple(views[one.key] for one in group.following))
        for group in groups_of(told)
    )
    hidden = tuple(views[one.key] for one in by_urgency(alarms) if one.state in HIDDEN)
    return AlarmsView(standing, hidden, len(told))


def _view(
    ask: Ask, alarm: Alarm, findings: Iterable[Finding], site: Site, axes: Mapping[int, SessionAxis]
) -> AlarmView:
    reader = ask.words
    details = Details()
    elements = list(in_full(reader, item_of(alarm, findings), site, details, ""))
    title, sentence = elements[0], elements[1]
    assert isinstance(title, Title)
    assert isinstance(sentence, Paragraph)
    times = next(one for one in elements if isinstance(one, Facts))
    rest = [one for one in (*elements[2:], *details.at_the_end(reader)) if one is not times]
    parts, behind = _parted(rest, {reader.word(name) for name in ("seen", "causes", "details")})
    facts = [("State", capital(reader.texts.states[alarm.state.value])), *times.rows]
    if alarm.cleared is not None and not alarm.active:
        facts.append(("Over since", reader.instant(alarm.cleared.at_ms)))
    if alarm.root is not None:
        facts.append(("Follows from", headline(reader, alarm.root)))
    if alarm.state in HIDDEN:
        facts += _hidden_facts(ask, alarm, axes)
    return AlarmView(
        alarm.key,
        anchor_of(alarm.key),
        title.text,
        title.above,
        title.tone,
        sentence.text,
        tuple(facts),
        parts,
        behind,
        tuple(acts_for(alarm)),
    )


def _parted(
    elements: Iterable[Element], behind: Container[str]
) -> tuple[tuple[tuple[str, Element], ...], tuple[tuple[str, Element], ...]]:
    """What stands under those headings apart from the rest."""
    told: tuple[list[tuple[str, Element]], list[tuple[str, Element]]] = ([], [])
    place = 0
    for one in elements:
        if isinstance(one, Heading):
            place = one.text in behind
        told[place].append((type(one).__name__, one))
    return tuple(told[0]), tuple(told[1])


def _hidden_facts(ask: Ask, alarm: Alarm, axes: Mapping[int, SessionAxis]) -> list[tuple[str, str]]:
    """By whom it was hidden, why and until when."""
    facts = []
    change = ask.record.last_alarm_change(alarm.key, _HIDES[alarm.state])
    if change is not None:
        at_ms = shown_ms(axes, change.change.at)
        facts.append(("Hidden by", f"{one_line(change.change.who)}, {ask.words.instant(at_ms)}"))
        facts.append(("Why", one_line(change.change.why) or "no reason was given"))
    if alarm.state is AlarmState.SUPPRESSED:
        until = "what goes on is over"
    elif alarm.state is AlarmState.OUT_OF_SERVICE:
        until = "somebody puts it back into service"
    elif alarm.shelved_until_ms is None:
        until = "it is over"
    else:
        until = ask.words.instant(alarm.shelved_until_ms) + (", or it is over" if alarm.one_shot else "")
    facts.append(("Until", until))
    return [*facts, ("What it is about", "holds still" if alarm.active else "does not hold at present")]


def acts_for(alarm: Alarm) -> list[Act]:
    """What its state allows, and would change something."""
    found = []
    for act in ACTS:
        then = after(alarm.state, act.event, alarm.active)
        if then is not None and then is not alarm.state:
            found.append(act)
    return found


def anchor_of(key: AlarmKey) -> str:
    """Name of an alarm within the page: of letters that can stand in an address."""
    text = "\n".join((key.bank, key.condition, key.subject))
    return f"a{hashlib.sha256(text.encode()).hexdigest()[:10]}"


def change_view(reader: Reader, stored: StoredAlarmChange, axes: Mapping[int, SessionAxis]) -> ChangeView:
    change = stored.change
    return ChangeView(
        stored.id,
        reader.instant(shown_ms(axes, change.at)),
        headline(reader, change.key),
        reader.texts.events[change.event.value],
        reader.texts.states[change.after.value],
        one_line(change.who),
        one_line(change.why),
    )
