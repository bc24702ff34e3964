"""Alarms that stand, as cards: what, where, since when, what to do, by when, with which parts and care."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from loggerd.model.alarm import Alarm, AlarmChange, AlarmEvent, AlarmKey, AlarmState, Visit
from loggerd.model.finding import Finding
from loggerd.model.ledger import Instant
from loggerd.wording.alarm_part import (
    AlarmItem,
    Site,
    act_by,
    condition_for,
    findings_behind,
    headline,
    sentence,
    top_of,
    urgency,
)
from loggerd.wording.filling import one_line
from loggerd.wording.reader import Reader
from loggerd.wording.texts import OVER_60_VOLTS

HIDDEN = (AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)
_VISITS = tuple(Visit)
_NEVER = Instant(0, 0)


@dataclass(frozen=True)
class AlarmGroup:
    """An alarm with those that follow from it, through others too."""

    root: Alarm
    following: tuple[Alarm, ...]


@dataclass(frozen=True)
class AlarmCard:
    """One alarm in one person's words. `priority` and `visit` are words; `class_of_visit` is what decides.

    `cautions` in full, `care` what each is called; `evidence`: what was seen, a sentence or figure each; `reason` is in
    English only, "" for who reads another language.
    """

    key: AlarmKey
    headline: str
    says: str
    priority: str
    visit: str
    class_of_visit: Visit | None
    state: str
    act_by: str
    since: str
    do: tuple[str, ...]
    do_not: tuple[str, ...]
    causes: tuple[str, ...]
    parts: tuple[str, ...]
    cautions: tuple[str, ...]
    care: tuple[str, ...]
    evidence: tuple[str, ...]
    reason: str
    following: tuple[str, ...]


def stands(alarm: Alarm) -> bool:
    """Whether it holds and nobody has put it aside."""
    return alarm.active and alarm.state not in HIDDEN


def put_aside(alarms: Iterable[Alarm]) -> int:
    """How many hold and are shelved, suppressed or out of service."""
    return sum(one.active and one.state in HIDDEN for one in alarms)


def shown(alarm: Alarm, shown_ms: Callable[[Instant], int]) -> Alarm:
    """The alarm with its times as they are to be shown, when a clock was set right later."""
    raised, cleared, since = (
        None if at is None else Instant(at.session, shown_ms(at)) for at in (alarm.raised, alarm.cleared, alarm.since)
    )
    return replace(alarm, raised=raised, cleared=cleared, since=since)


def cards(alarms: Iterable[Alarm], findings: Iterable[Finding], site: Site, reader: Reader) -> tuple[AlarmCard, ...]:
    """A card for each alarm that stands, the most urgent first. What follows from one of them is told on its card.

    `findings`: the newest of the bank that the alarms are about.
    """
    found = list(findings)
    items = (item_of(group.root, found, group.following) for group in groups_of(one for one in alarms if stands(one)))
    return tuple(_card(item, site, reader) for item in items)


def groups_of(alarms: Iterable[Alarm]) -> tuple[AlarmGroup, ...]:
    """All of them, each under the one of them that it follows from; the most urgent first, what is over last."""
    up = {one.key: one for one in alarms}
    groups: dict[AlarmKey, list[Alarm]] = {}
    for one in by_urgency(up.values()):
        groups.setdefault(top_of(one.key, up), []).append(one)
    return tuple(AlarmGroup(up[top], tuple(one for one in told if one.key != top)) for top, told in groups.items())


def by_urgency(alarms: Iterable[Alarm]) -> list[Alarm]:
    """What still holds before what is over, then the most urgent first."""
    return sorted(alarms, key=lambda one: (not one.active, urgency(item_of(one, ()))))


def item_of(alarm: Alarm, findings: Iterable[Finding], following: Iterable[Alarm] = ()) -> AlarmItem:
    """As if it were told now. What was never raised counts from its session's beginning, and sorts first."""
    at = alarm.raised or alarm.since or _NEVER
    begun = AlarmChange(alarm.key, at, AlarmEvent.RAISED, AlarmState.NORMAL, alarm.state, "loggerd")
    return AlarmItem(begun, alarm, findings_behind(alarm, findings), tuple(one.key for one in following))


def soonest(found: Sequence[AlarmCard]) -> Visit | None:
    """When somebody has to go there for any of them; None for no visit."""
    visits = [one.class_of_visit for one in found if one.class_of_visit is not None]
    return min(visits, key=_VISITS.index, default=None)


def _card(item: AlarmItem, site: Site, reader: Reader) -> AlarmCard:
    alarm, key, texts = item.alarm, item.alarm.key, reader.texts
    condition, text = condition_for(key), reader.alarm_text(key.condition)
    since = alarm.since or alarm.raised
    cautions = _cautions(text.cautions, key, site, reader)
    figures = [f"{name}: {told}" for name, told in reader.evidence(alarm.evidence)]
    return AlarmCard(
        key,
        headline(reader, key),
        sentence(reader, item),
        "" if condition is None else texts.priorities[condition.priority.value],
        "" if condition is None else texts.visits[condition.visit.value],
        None if condition is None else condition.visit,
        texts.states[alarm.state.value],
        act_by(reader, item),
        reader.word("unknown") if since is None else reader.instant(since.at_ms),
        text.do,
        text.do_not,
        text.causes,
        text.parts,
        cautions,
        tuple(one.partition(":")[0] for one in cautions),
        (*(reader.trusted(one) for one in item.findings), *figures),
        one_line(alarm.reason) if texts.english else "",
        tuple(headline(reader, one) for one in item.following),
    )


def _cautions(names: Iterable[str], key: AlarmKey, site: Site, reader: Reader) -> tuple[str, ...]:
    facts = site.banks.get(key.bank)
    over_60_volts = facts.over_60_volts if facts is not None else any(one.over_60_volts for one in site.banks.values())
    return tuple(reader.texts.cautions[name] for name in names if name != OVER_60_VOLTS or over_60_volts)
