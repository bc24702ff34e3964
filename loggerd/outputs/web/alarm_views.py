"""Alarms as the pages show them: what stands, grouped under its root; what is hidden, with why and until when."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from loggerd.alarms.lifecycle import after
from loggerd.analysis.axis import SessionAxis
from loggerd.analysis.findings import newest
from loggerd.letters import Letters
from loggerd.model.alarm import Alarm, AlarmChange, AlarmEvent, AlarmKey, AlarmState
from loggerd.model.finding import Finding
from loggerd.model.ledger import Instant
from loggerd.outputs.web.asking import Ask
from loggerd.plans import axes_of
from loggerd.store.record import StoredAlarmChange
from loggerd.wording.alarm_part import AlarmItem, Site, findings_behind, headline, in_full, urgency
from loggerd.wording.details import Details
from loggerd.wording.filling import capital, one_line
from loggerd.wording.layout import Element, Facts, Paragraph, Title
from loggerd.wording.reader import Reader

HIDDEN = (AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)
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


LONGEST_SHELF_HOURS = 720
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
    """One alarm, in words. `parts`: of the whole text, each with the name of its kind, by which the template goes."""

    key: AlarmKey
    anchor: str
    title: str
    above: str
    tone: str
    sentence: str
    facts: tuple[tuple[str, str], ...]
    parts: tuple[tuple[str, Element], ...]
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
    axes = axes_of(ask.record.sessions())
    alarms = {one.key: _shown(one, axes) for one in ask.record.alarms() if one.state is not AlarmState.NORMAL}
    banks = sorted({key.bank for key in alarms} & {one.name for one in ask.site.banks})
    found = {bank: newest(one.finding for one in ask.record.newest_findings(bank)) for bank in banks}
    site = Letters(ask.site).site(ask.record)
    views = {key: _view(ask, one, found.get(key.bank, ()), site, axes) for key, one in alarms.items()}
    shown = {key: one for key, one in alarms.items() if one.state not in HIDDEN}
    groups = _groups(shown)
    standing = tuple(
        replace(views[root], following=tuple(views[key] for key in keys if key != root)) for root, keys in groups
    )
    hidden = tuple(views[key] for key in sorted(alarms, key=lambda key: _order(alarms[key])) if key not in shown)
    return AlarmsView(standing, hidden, len(shown))


def _groups(alarms: Mapping[AlarmKey, Alarm]) -> list[tuple[AlarmKey, list[AlarmKey]]]:
    """Each alarm that follows from no other one shown, with all that do from it; the most urgent group first."""
    groups: dict[AlarmKey, list[AlarmKey]] = {}
    for key in sorted(alarms, key=lambda key: _order(alarms[key])):
        groups.setdefault(_top(key, alarms), []).append(key)
    return list(groups.items())


def _top(key: AlarmKey, alarms: Mapping[AlarmKey, Alarm]) -> AlarmKey:
    seen = {key}
    while (root := alarms[key].root) is not None and root in alarms and root not in seen:
        seen.add(root)
        key = root
    return key


def _order(alarm: Alarm) -> tuple[bool, tuple[float, float, int, AlarmKey]]:
    """What still holds before what is over, then by urgency."""
    return not alarm.active, urgency(_item(alarm, ()))


def _item(alarm: Alarm, findings: Iterable[Finding]) -> AlarmItem:
    """As if it were told now. What was never raised counts from its session's beginning, and sorts first."""
    at = alarm.raised or alarm.since or Instant(0, 0)
    change = AlarmChange(alarm.key, at, AlarmEvent.RAISED, AlarmState.NORMAL, alarm.state, "loggerd")
    return AlarmItem(change, alarm, findings_behind(alarm, findings))


def _view(
    ask: Ask, alarm: Alarm, findings: Iterable[Finding], site: Site, axes: Mapping[int, SessionAxis]
) -> AlarmView:
    reader = ask.words
    details = Details()
    elements = list(in_full(reader, _item(alarm, findings), site, details, ""))
    title, sentence = elements[0], elements[1]
    assert isinstance(title, Title)
    assert isinstance(sentence, Paragraph)
    times = next(one for one in elements if isinstance(one, Facts))
    rest = [one for one in (*elements[2:], *details.at_the_end(reader)) if one is not times]
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
        tuple((type(one).__name__, one) for one in rest),
        tuple(acts_for(alarm)),
    )


def _hidden_facts(ask: Ask, alarm: Alarm, axes: Mapping[int, SessionAxis]) -> list[tuple[str, str]]:
    """By whom it was hidden, why and until when."""
    facts = []
    change = ask.record.last_alarm_change(alarm.key, _HIDES[alarm.state])
    if change is not None:
        at = _wall(change.change.at, axes)
        facts.append(("Hidden by", f"{one_line(change.change.who)}, {ask.words.instant(at.at_ms)}"))
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
        reader.instant(_wall(change.at, axes).at_ms),
        headline(reader, change.key),
        reader.texts.events[change.event.value],
        reader.texts.states[change.after.value],
        one_line(change.who),
        one_line(change.why),
    )


def _shown(alarm: Alarm, axes: Mapping[int, SessionAxis]) -> Alarm:
    """With the times that are shown, where a clock was set later on."""
    raised, cleared, since = (
        None if one is None else _wall(one, axes) for one in (alarm.raised, alarm.cleared, alarm.since)
    )
    return replace(alarm, raised=raised, cleared=cleared, since=since)


def _wall(at: Instant, axes: Mapping[int, SessionAxis]) -> Instant:
    axis = axes.get(at.session)
    return at if axis is None else Instant(at.session, at.at_ms + axis.correction_ms)
