"""One alarm in full: what, since when, evidence, causes, what to do and not do, by when, with what parts and care."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from loggerd.alarms.catalogue import AlarmCondition
from loggerd.alarms.conditions import ALARM_CONDITIONS
from loggerd.model.alarm import Alarm, AlarmChange, AlarmEvent, AlarmKey, Priority
from loggerd.model.bank import Bank
from loggerd.model.finding import Finding
from loggerd.wording.details import Details
from loggerd.wording.filling import capital, ended, fill, one_line
from loggerd.wording.layout import Element, Facts, Heading, Link, Paragraph, Points, Title
from loggerd.wording.reader import Reader
from loggerd.wording.texts import OVER_60_VOLTS

TOUCH_VOLTS = 60.0
"""Limit of direct voltage that is harmless to touch: IEC, from memory."""
_HOUR_MS = 3_600_000
_HOURS_UNTIL_DAYS = 48.0
"""What is due later is told in days."""
_LEAST_COMING = 3
_CONDITIONS = {one.name: one for one in ALARM_CONDITIONS}


@dataclass(frozen=True)
class BankFacts:
    """What of a bank decides what is said. `highest_volts_per_cell`: while charging, equalizing included."""

    bank: Bank
    highest_volts_per_cell: float = 2.6

    @property
    def over_60_volts(self) -> bool:
        """Whether it reaches a voltage that is dangerous to touch. Parallel strings do not lower it."""
        highest = max(self.bank.nominal_volts, self.bank.cells_in_series * self.highest_volts_per_cell)
        return highest > TOUCH_VOLTS


@dataclass(frozen=True)
class Site:
    """Where the mail comes from. `banks` by name; `page_url`: of the site's pages, "" without any."""

    name: str
    banks: Mapping[str, BankFacts] = field(default_factory=dict)
    page_url: str = ""
    clock_set: bool = True


@dataclass(frozen=True)
class AlarmItem:
    """One change of an alarm that a keeper is to be told.

    `alarm`: as it stands now. `findings`: those that made its condition true (`findings_behind`). `following`: alarms
    that follow from it and stand. `acknowledge_url`: page on which it can be acknowledged. `escalated`: it is told
    because nobody acknowledged it.
    """

    change: AlarmChange
    alarm: Alarm
    findings: tuple[Finding, ...] = ()
    following: tuple[AlarmKey, ...] = ()
    acknowledge_url: str = ""
    escalated: bool = False


def findings_behind(alarm: Alarm, newest: Iterable[Finding]) -> tuple[Finding, ...]:
    """Of the newest findings of the alarm's bank those that make its condition true at its subject."""
    condition = _CONDITIONS.get(alarm.key.condition)
    if condition is None:
        return ()
    verdicts = dict(condition.findings)
    return tuple(
        one for one in newest if one.subject == alarm.key.subject and one.verdict in verdicts.get(one.name, ())
    )


def condition_for(key: AlarmKey) -> AlarmCondition | None:
    """The condition of an alarm; None of one that only an earlier version knew."""
    return _CONDITIONS.get(key.condition)


def urgency(item: AlarmItem) -> tuple[int, float, int, AlarmKey]:
    """What comes first, by priority, time to respond and age."""
    condition, alarm = condition_for(item.alarm.key), item.alarm
    raised_ms = alarm.raised.at_ms if alarm.raised else item.change.at.at_ms
    if condition is None:
        return (len(Priority), 0.0, raised_ms, alarm.key)
    return (list(Priority).index(condition.priority), condition.respond_hours, raised_ms, alarm.key)


def top_of(key: AlarmKey, alarms: Mapping[AlarmKey, Alarm]) -> AlarmKey:
    """The one among these alarms that it follows from in the end; itself, if from none or, in a circle, from itself."""
    top, seen = key, {key}
    while (root := alarms[top].root) is not None and root in alarms:
        if root in seen:
            return key
        seen.add(root)
        top = root
    return top


def tone_of(key: AlarmKey) -> str:
    condition = condition_for(key)
    return condition.priority.value if condition is not None else "low"


def sentence(reader: Reader, item: AlarmItem) -> str:
    """What the alarm says, in one or two sentences."""
    values = reader.values(item.alarm.evidence or item.change.evidence)
    values["subject"] = reader.alarm_subject(item.alarm.key)
    return capital(fill(reader.alarm_text(item.alarm.key.condition).what, values))


def within(reader: Reader, condition: AlarmCondition) -> str:
    """How soon somebody must act: "within 24 h"."""
    hours = condition.respond_hours
    if hours < _HOURS_UNTIL_DAYS:
        return reader.word("within_hours", count=reader.number(hours, 0))
    return reader.word("within_days", count=reader.number(hours / 24.0, 0))


def act_by(reader: Reader, item: AlarmItem) -> str:
    """By when somebody must have acted: "within 24 h: Thu 26 Nov 2026, 06:10 (UTC+01:00)"."""
    condition = condition_for(item.alarm.key)
    begun = item.alarm.raised or item.change.at
    if condition is None:
        return reader.word("unknown")
    return f"{within(reader, condition)}: {reader.instant(begun.at_ms + round(condition.respond_hours * _HOUR_MS))}"


def headline(reader: Reader, key: AlarmKey) -> str:
    """ "Shorted cell: block 7, bank barn"."""
    return f"{capital(reader.alarm_text(key.condition).title)}: {reader.place(key)}"


def in_full(reader: Reader, item: AlarmItem, site: Site, details: Details, index: str) -> Iterator[Element]:
    """The whole alarm. `details`: those of this mail; `index`: "2/5", or "" for a single one."""
    texts, key, alarm = reader.texts, item.alarm.key, item.alarm
    condition = condition_for(key)
    above = [f"{index}"] if index else []
    if condition is not None:
        visit = texts.visits[condition.visit.value]
        above.append(f"{capital(texts.priorities[condition.priority.value])} - {reader.word('visit')}: {visit}")
    yield Title(headline(reader, key), tone_of(key), "  ".join(above))
    yield Paragraph(sentence(reader, item))
    if item.escalated and alarm.raised is not None:
        yield Paragraph(reader.word("still", time=reader.instant(alarm.raised.at_ms)))
    yield Facts(tuple(_times(reader, item)))
    yield from _evidence(reader, item, details)
    if alarm.told >= _LEAST_COMING:
        yield Paragraph(reader.word("comes_and_goes", count=str(alarm.told)))
    yield from _advice(reader, key)
    yield from _cautions(reader, key, site, details.cautions)
    if condition is not None:
        parts = ", ".join(reader.alarm_text(key.condition).parts) or reader.word("nothing")
        yield Facts(((reader.word("parts"), parts),))
    if item.acknowledge_url:
        yield Link(reader.word("acknowledge"), item.acknowledge_url)
    if item.following:
        yield Heading(reader.word("follows"))
        yield Points(tuple(headline(reader, one) for one in item.following))


def in_a_line(reader: Reader, item: AlarmItem) -> str:
    """An alarm in a list: "Shorted cell: block 7, bank barn (urgent, within 24 h)"."""
    condition = condition_for(item.alarm.key)
    told = headline(reader, item.alarm.key)
    if condition is None:
        return told
    return f"{told} ({reader.texts.priorities[condition.priority.value]}, {within(reader, condition)})"


def _times(reader: Reader, item: AlarmItem) -> Iterator[tuple[str, str]]:
    alarm = item.alarm
    yield reader.word("act_by"), act_by(reader, item)
    since, raised = alarm.since, alarm.raised or item.change.at
    if since is not None:
        yield reader.word("since"), reader.instant(since.at_ms)
    if since is None or abs(raised.at_ms - since.at_ms) >= 60_000:
        yield reader.word("raised"), reader.instant(raised.at_ms)
    if alarm.acknowledged_by:
        yield capital(reader.texts.events[AlarmEvent.ACKNOWLEDGED.value]), one_line(alarm.acknowledged_by)


def _evidence(reader: Reader, item: AlarmItem, details: Details) -> Iterator[Element]:
    alarm = item.alarm
    figures = [f"{name}: {text}" for name, text in reader.evidence(alarm.evidence or item.change.evidence)]
    found = [reader.trusted(one) for one in item.findings]
    if found or figures:
        yield Heading(reader.word("seen"))
        yield Points((*found, *figures))
    if reason := details.here(reader, headline(reader, alarm.key), alarm.reason):
        yield Paragraph(f"{reader.word('reason')}: {ended(reason)}", small=True)


def _advice(reader: Reader, key: AlarmKey) -> Iterator[Element]:
    text = reader.alarm_text(key.condition)
    for name, items, numbered in (("causes", text.causes, True), ("do", text.do, True), ("do_not", text.do_not, False)):
        if items:
            yield Heading(reader.word(name))
            yield Points(items, numbered)


def _cautions(reader: Reader, key: AlarmKey, site: Site, told: set[str]) -> Iterator[Element]:
    """Each caution in its words once in a mail; after that the reader is sent back to it."""
    facts = site.banks.get(key.bank)
    over_60_volts = facts.over_60_volts if facts is not None else any(one.over_60_volts for one in site.banks.values())
    names = [name for name in reader.alarm_text(key.condition).cautions if name != OVER_60_VOLTS or over_60_volts]
    if not names:
        return
    yield Heading(reader.word("caution"))
    new = [name for name in names if name not in told]
    old = [reader.texts.cautions[name].partition(":")[0] for name in names if name in told]
    told.update(names)
    items = [reader.texts.cautions[name] for name in new]
    if old:
        items.append(f"{', '.join(old)}: {reader.word('see_above')}")
    yield Points(tuple(items), warning=True)
