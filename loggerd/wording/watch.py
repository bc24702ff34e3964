"""What a watcher tells: that the sign of life of a site stays out, and that it has come back."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from loggerd.alarms.catalogue import HOUR_MS
from loggerd.alarms.from_health import LoggerHealth, conditions_of_logger
from loggerd.alarms.heartbeats import NoticeKind
from loggerd.model.alarm import Alarm, AlarmChange, AlarmEvent, AlarmState, ConditionNow
from loggerd.model.ledger import Figure, Instant
from loggerd.wording.alarm_part import AlarmItem, Site, condition_for, in_full
from loggerd.wording.details import Details
from loggerd.wording.filling import capital, one_line
from loggerd.wording.layout import Element, Facts, Paragraph, Title
from loggerd.wording.mail import Mail, finished
from loggerd.wording.reader import Reader


@dataclass(frozen=True)
class Watch:
    """What a watcher knows of a site when it tells of it. Times are epoch ms by the watcher's clock.

    `heard_ms`: when the last sign of life came, None for never; `next_ms`: when the next is due. `clock_set`: whether
    that clock is set.
    """

    watcher: str
    site: str
    kind: NoticeKind
    now_ms: int
    overdue_ms: int
    heard_ms: int | None
    next_ms: int
    clock_set: bool = True


def compose_watch(watch: Watch, reader: Reader) -> Mail:
    """The mail."""
    return _back(watch, reader) if watch.kind is NoticeKind.BACK else _silent(watch, reader)


def _silent(watch: Watch, reader: Reader) -> Mail:
    now = _condition(watch)
    condition = condition_for(now.key)
    assert condition is not None
    raised = Instant(0, watch.now_ms - watch.overdue_ms)
    change = AlarmChange(
        now.key, raised, AlarmEvent.RAISED, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, "loggerd", "", None
    )
    alarm = Alarm(now.key, AlarmState.UNACKNOWLEDGED, True, raised=raised, evidence=now.evidence)
    name = one_line(watch.site)
    elements: list[Element] = list(in_full(reader, AlarmItem(change, alarm), Site(watch.site), Details(), ""))
    if watch.kind is NoticeKind.STILL:
        elements.append(Paragraph(reader.word("watch_still")))
    last = reader.word("watch_never") if watch.heard_ms is None else reader.instant(watch.heard_ms)
    elements.append(Facts(((reader.word("watch_heard"), last),)))
    elements.extend([*_closing(watch, reader), Paragraph(reader.word("governs"), small=True)])
    subject = f"{name}, {reader.texts.visits[condition.visit.value]}: {reader.alarm_text(now.key.condition).title}"
    return finished(subject, elements, reader)


def _condition(watch: Watch) -> ConditionNow:
    """The condition that holds; with the hours as they are, for a mail is told once."""
    (now,) = conditions_of_logger(LoggerHealth(watched_silent_ms=((watch.site, max(watch.overdue_ms, 1)),)))
    hours = Figure("overdue_hours", watch.overdue_ms / HOUR_MS)
    return ConditionNow(now.key, True, evidence=(hours,))


def _back(watch: Watch, reader: Reader) -> Mail:
    name = one_line(watch.site)
    hours = reader.amount(watch.overdue_ms / HOUR_MS, "h", 1)
    title = f"{name}: {reader.word('watch_back')}"
    elements: list[Element] = [
        Title(capital(title)),
        Paragraph(reader.word("watch_back_text", site=name, hours=hours)),
        Paragraph(reader.word("heartbeat_next", time=reader.instant(watch.next_ms))),
        *_closing(watch, reader),
    ]
    return finished(title, elements, reader)


def _closing(watch: Watch, reader: Reader) -> Iterator[Element]:
    if not watch.clock_set:
        yield Paragraph(reader.word("watch_clock"))
    yield Paragraph(reader.word("watch_by", name=one_line(watch.watcher)), small=True)
