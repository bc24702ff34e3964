"""The sign of life, and the test mail."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from loggerd.model.alarm import Alarm
from loggerd.wording.alarm_part import Site
from loggerd.wording.filling import capital, one_line
from loggerd.wording.layout import Element, Facts, Heading, Paragraph, Points, Title
from loggerd.wording.mail import Mail, closing, finished
from loggerd.wording.reader import Reader


@dataclass(frozen=True)
class Alive:
    """What a sign of life says. `next_ms`: when the next one is due; `last_reading_ms`: None without any so far.

    `answering` of `instruments` answer; `waiting`: mails that have not been taken by a server yet; `number`: rises
    with each of the same record, by which a watcher knows an old one that is sent again.
    """

    at_ms: int
    next_ms: int
    last_reading_ms: int | None
    answering: int
    instruments: int
    waiting: int = 0
    number: int = 0


SITE_HEAD, SENT_HEAD, NEXT_HEAD, NUMBER_HEAD = (
    "X-Loggerd-Site",
    "X-Loggerd-Sent-At",
    "X-Loggerd-Next-Due",
    "X-Loggerd-Number",
)
"""Lines of the head of a sign of life, for a watcher that gets it as a mail."""


def utc_text(at_ms: int) -> str:
    """An instant for programs: ISO 8601, UTC, to the millisecond."""
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="milliseconds")


def compose_heartbeat(alive: Alive, standing: Iterable[Alarm], site: Site, reader: Reader) -> Mail:
    """Says that the logger lives, how it is, and when its next sign of life is due."""
    name, alarms = one_line(site.name), list(standing)
    last = reader.word("none") if alive.last_reading_ms is None else reader.instant(alive.last_reading_ms)
    counts = {"answering": str(alive.answering), "all": str(alive.instruments)}
    elements: list[Element] = [
        Title(f"{reader.word('heartbeat')}: {name}", "", reader.instant(alive.at_ms)),
        Paragraph(reader.word("heartbeat_alive", site=name)),
        Paragraph(reader.word("heartbeat_next", time=reader.instant(alive.next_ms))),
    ]
    if not site.clock_set:
        elements.append(Paragraph(reader.word("clock")))
    elements.append(
        Facts(
            (
                (reader.word("last_reading"), last),
                (reader.word("instruments"), reader.word("instruments_value", **counts)),
                (reader.word("mail_waiting"), str(alive.waiting) if alive.waiting else reader.word("none")),
            )
        )
    )
    elements.extend([*standing_alarms(alarms, reader), *closing(site, reader)])
    mail = finished(f"{name}: {reader.word('heartbeat')}, {how_many(alarms, reader)}", elements, reader)
    head = (
        (SITE_HEAD, name),
        (SENT_HEAD, utc_text(alive.at_ms)),
        (NEXT_HEAD, utc_text(alive.next_ms)),
        (NUMBER_HEAD, str(alive.number)),
    )
    return replace(mail, head=head)


def compose_test(site: Site, reader: Reader) -> Mail:
    """A mail that only shows that mail arrives."""
    name = one_line(site.name)
    text = Paragraph(reader.word("test_text", site=name))
    title = f"{name}: {reader.word('test')}"
    return finished(title, [Title(title), text, *closing(site, reader)], reader)


def how_many(alarms: Collection[Alarm], reader: Reader) -> str:
    """How many alarms stand, in words."""
    if len(alarms) > 1:
        return reader.word("alarms", count=str(len(alarms)))
    return reader.word("alarm" if alarms else "no_alarms")


def standing_alarms(alarms: Iterable[Alarm], reader: Reader) -> Iterator[Element]:
    """A heading, and a line for each alarm that stands; that none does, if so."""
    lines = []
    for alarm in alarms:
        since = alarm.since or alarm.raised
        words = {
            "title": reader.alarm_text(alarm.key.condition).title,
            "subject": reader.place(alarm.key),
            "state": reader.texts.states[alarm.state.value],
            "time": reader.word("unknown") if since is None else reader.instant(since.at_ms),
        }
        lines.append(capital(reader.word("stands", **words)))
    yield Heading(reader.word("standing"))
    yield Points(tuple(lines) or (reader.word("no_alarms"),))
