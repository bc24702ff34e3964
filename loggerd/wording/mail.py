"""Mails, composed: the most urgent alarm first, changes short, floods folded. Dates and ids are handed in."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from loggerd.model.alarm import AlarmEvent, AlarmKey, AlarmState
from loggerd.wording.alarm_part import (
    AlarmItem,
    BankFacts,
    Site,
    condition_for,
    findings_behind,
    headline,
    in_a_line,
    in_full,
    top_of,
    urgency,
)
from loggerd.wording.details import Details
from loggerd.wording.filling import one_line
from loggerd.wording.html_text import html
from loggerd.wording.layout import Element, Heading, Link, Paragraph, Points
from loggerd.wording.plain_text import plain
from loggerd.wording.reader import Reader

MOST_IN_FULL = 5
LONGEST_SUBJECT = 120


@dataclass(frozen=True)
class Attachment:
    """Something that goes with a mail. `content_id`: by which the HTML shows it, "" if it does not."""

    name: str
    media_type: str
    content: bytes
    content_id: str = ""


@dataclass(frozen=True)
class Mail:
    """A mail without its head: subject and both forms of its text. The plain text carries everything.

    `head`: further lines of the head, by name, for programs that read the mail.
    """

    subject: str
    plain: str
    html: str
    attachments: tuple[Attachment, ...] = ()
    head: tuple[tuple[str, str], ...] = ()


def compose(items: Iterable[AlarmItem], site: Site, reader: Reader) -> Mail:
    """One mail of all that happened. `items` in order of time; raises ValueError without any.

    Alarms that have begun or still stand come in full, the most urgent first, MOST_IN_FULL at most; the others of
    them a line each. What follows from an alarm of this mail is listed under it. All other changes are a line each.
    """
    told = list(items)
    if not told:
        raise ValueError("a mail needs something to tell")
    calling, changes = _parted(told)
    elements = [*_opening(site, reader)]
    details = Details()
    full = calling[:MOST_IN_FULL]
    for number, item in enumerate(full, 1):
        index = f"{number}/{len(calling)}" if len(calling) > 1 else ""
        elements.extend(in_full(reader, item, site, details, index))
    if calling[MOST_IN_FULL:]:
        elements.append(Heading(reader.word("listed")))
        elements.append(Points(tuple(_listed(reader, calling[MOST_IN_FULL:]))))
    if changes:
        elements.append(Heading(reader.word("changes")))
        elements.append(Points(tuple(_change(reader, item, details) for item in changes)))
    elements.extend(closing(site, reader, governs=bool(calling)))
    elements.extend(details.at_the_end(reader))
    return finished(_subject(calling, changes, site, reader), elements, reader)


def finished(subject: str, elements: Sequence[Element], reader: Reader, attachments: Sequence[Attachment] = ()) -> Mail:
    """A mail of its parts."""
    short = one_line(subject)
    if len(short) > LONGEST_SUBJECT:
        short = short[: LONGEST_SUBJECT - 3].rstrip() + "..."
    return Mail(short, plain(elements), html(elements, short, reader.texts.code), tuple(attachments))


def closing(site: Site, reader: Reader, governs: bool = False) -> Iterator[Element]:
    """What every mail ends with. `governs`: with what stands over all advice, and what the brackets mean."""
    if site.page_url:
        yield Link(reader.word("page"), site.page_url)
    if governs:
        yield Paragraph(reader.word("bands"), small=True)
        yield Paragraph(reader.word("governs"), small=True)


def _opening(site: Site, reader: Reader) -> Iterator[Element]:
    yield Paragraph(f"{reader.word('site')}: {one_line(site.name)}")
    if not site.clock_set:
        yield Paragraph(reader.word("clock"))


def _parted(items: Sequence[AlarmItem]) -> tuple[list[AlarmItem], list[AlarmItem]]:
    """Alarms that call for somebody, the most urgent first, each once; and what else changed, in order of time.

    What has begun calls, and so does what comes off a shelf or out of suppression, which nobody has heard of. One that
    has cleared again by now, as may be after a long time without a link, no longer calls. One that follows from
    another of this mail is told under it.
    """
    latest: dict[AlarmKey, AlarmItem] = {}
    changes = []
    for item in items:
        calls = item.escalated or item.change.after is AlarmState.UNACKNOWLEDGED
        if item.alarm.active and calls:
            latest[item.alarm.key] = item
        else:
            changes.append(item)
    alarms = {key: item.alarm for key, item in latest.items()}
    under: dict[AlarmKey, list[AlarmKey]] = {}
    for key in latest:
        under.setdefault(top_of(key, alarms), []).append(key)
    calling = [
        replace(
            latest[top], following=tuple(one for one in dict.fromkeys((*latest[top].following, *keys)) if one != top)
        )
        for top, keys in under.items()
    ]
    return sorted(calling, key=urgency), changes


def _listed(reader: Reader, items: Iterable[AlarmItem]) -> Iterator[str]:
    """A line each, what follows from one within its line."""
    for item in items:
        told = in_a_line(reader, item)
        if item.following:
            told += f". {reader.word('follows')}: {'; '.join(headline(reader, key) for key in item.following)}"
        yield told


def _change(reader: Reader, item: AlarmItem, details: Details) -> str:
    change = item.change
    words = {
        "time": reader.instant(change.at.at_ms),
        "title": reader.alarm_text(change.key.condition).title,
        "subject": reader.place(change.key),
        "event": reader.texts.events[change.event.value],
    }
    who, why = one_line(change.who), one_line(change.why)
    told = reader.word("changed", **words)
    if who not in ("", "loggerd"):
        told = reader.word("changed_by", **words, who=who)
    else:
        why = details.here(reader, headline(reader, change.key), why)
    if why:
        told += f" {reader.word('why', why=why)}"
    if change.event is AlarmEvent.RAISED and change.root is not None:
        told += f"; {reader.word('follows_from', title=headline(reader, change.root))}"
    return told


def _subject(calling: Sequence[AlarmItem], changes: Sequence[AlarmItem], site: Site, reader: Reader) -> str:
    """ "Farm, now: shorted cell, block 7, bank barn, and 3 more"."""
    name = one_line(site.name)
    if not calling:
        change = changes[-1].change
        event = reader.texts.events[change.event.value]
        more = f", {reader.word('more', count=str(len(changes) - 1))}" if len(changes) > 1 else ""
        return f"{name}: {_short(reader, change.key)}: {event}{more}"
    first = calling[0].alarm.key
    condition = condition_for(first)
    visit = f", {reader.texts.visits[condition.visit.value]}" if condition is not None else ""
    more = f", {reader.word('more', count=str(len(calling) - 1))}" if len(calling) > 1 else ""
    return f"{name}{visit}: {_short(reader, first)}{more}"


def _short(reader: Reader, key: AlarmKey) -> str:
    return f"{reader.alarm_text(key.condition).title}, {reader.place(key)}"


__all__ = [
    "MOST_IN_FULL",
    "AlarmItem",
    "Attachment",
    "BankFacts",
    "Mail",
    "Site",
    "closing",
    "compose",
    "findings_behind",
    "finished",
]
