"""How the logger itself does, in words: from the record, and from what the service tells of itself."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from loggerd import __version__
from loggerd.model.outbox import Lane, MailState, OutboxMail
from loggerd.model.scan import ClockState
from loggerd.outputs.web.asking import Ask
from loggerd.settings.site import SiteSettings
from loggerd.settings.summary_telling import telling
from loggerd.status import DeviceStatus, ServiceStatus
from loggerd.store.record import Health, RecordEvent, StoredSeries
from loggerd.wording.ages import age_words
from loggerd.wording.filling import capital, one_line
from loggerd.wording.reader import Reader

DAY_MS = 86_400_000
_HOUR_MS, _MINUTE_MS = 3_600_000, 60_000
LAST_MAILS = 50
_MOST_YEARS = 50
NOT_TOLD = "the service is not running, or too old to tell"
CANNOT_TELL = "cannot tell"
_WAYS = ("silent", "garbled", "refused", "not there")
"""How a poll fails."""
_LANES = {Lane.MAIL: "mail", Lane.WEBHOOK: "webhook"}

Rows = tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class DeviceView:
    """One device. `polls`: how many failed, and how; `last_error`: "" for none, or where nothing is known."""

    name: str
    heard: str
    polls: str
    last_error: str


@dataclass(frozen=True)
class MailView:
    """A mail on its way, or refused."""

    at: str
    to: str
    subject: str
    state: str
    answer: str


@dataclass(frozen=True)
class EventView:
    at: str
    kind: str
    subject: str
    text: str


def instant_with_age(reader: Reader, at_ms: int | None, now_ms: int) -> str:
    """A time and how long ago that is."""
    if at_ms is None:
        return "never"
    if at_ms > now_ms + _MINUTE_MS:
        return f"{reader.instant(at_ms)}, which is still to come by the clock as it stands now"
    return f"{reader.instant(at_ms)}, {age_words(now_ms - at_ms)}"


def size(reader: Reader, count: float) -> str:
    """Bytes, in the unit that fits: "12.3 MB" (of 1000 kB)."""
    for length, unit in ((1e9, "GB"), (1e6, "MB"), (1e3, "kB")):
        if count >= length:
            return f"{reader.number(count / length, 1)} {unit}"
    return f"{reader.number(count, 0)} bytes"


def service_rows(ask: Ask, health: Health, status: ServiceStatus | None) -> Rows:
    """Whether it lives."""
    reader, now_ms = ask.words, ask.clock.wall_ms()
    rows = [("Last reading in the record", instant_with_age(reader, health.last_reading_wall_ms, now_ms))]
    if status is None:
        return (("Service", capital(NOT_TOLD)), *rows)
    memory = CANNOT_TELL if status.memory_bytes is None else size(reader, status.memory_bytes)
    running = age_words(status.running_ms).removesuffix(" ago")
    looked = "none yet" if status.looked_ms is None else instant_with_age(reader, status.looked_ms, now_ms)
    return (
        ("Service", f"runs since {reader.instant(status.began_ms)}, for {running}"),
        ("It says", one_line(status.words)),
        *rows,
        ("Last commit", looked),
        ("Memory it holds", memory),
    )


def clock_rows(ask: Ask, events: Sequence[RecordEvent], days: int) -> Rows:
    """Whether the clock is right, as far as the machine knows. `events`: of so many days."""
    is_set = ask.clock.state() is ClockState.SET
    words = "set, as the machine says" if is_set else "not set since the machine was started: all times are guessed"
    steps = [one for one in events if one.kind == "clock_step"]
    rows = [("Clock", capital(words))]
    if not steps:
        return (*rows, ("Set by more than a second", f"not in the last {days} days"))
    last = steps[-1]
    return (
        *rows,
        ("Set by more than a second", f"{ask.words.instant(last.wall_ms)}: {last.text} ({len(steps)} in all)"),
    )


def device_views(
    settings: SiteSettings, series: Sequence[StoredSeries], status: ServiceStatus | None, reader: Reader, now_ms: int
) -> Iterator[DeviceView]:
    """Every device of the settings. Without a word of the service, what the record says of its last hour."""
    told = {} if status is None else {one.device: one for one in status.devices}
    for device in settings.devices:
        last = [one.last_wall_ms for one in series if one.device == device.name and one.last_wall_ms is not None]
        one = told.get(device.name)
        if one is None:
            heard = f"at least until {reader.instant(max(last))}" if last else CANNOT_TELL
            if device.connection.kind == "csv":
                heard += " (files, read in by hand)"
            yield DeviceView(device.name, heard, CANNOT_TELL, "")
        else:
            yield _device(one, max(last, default=None), reader, now_ms)


def _device(one: DeviceStatus, stored_ms: int | None, reader: Reader, now_ms: int) -> DeviceView:
    heard = instant_with_age(reader, one.heard_ms, now_ms)
    if one.heard_ms is None:
        heard = "not since the service began"
        if stored_ms is not None:
            heard += f"; in the record until {reader.instant(stored_ms)}"
    return DeviceView(one.device, heard, _polls(one, reader), one_line(one.last_error))


def _polls(one: DeviceStatus, reader: Reader) -> str:
    """ "0.5 % of 2000 failed: 6 silent, 2 garbled, 2 refused; 12 left out"."""
    if not one.polls:
        return CANNOT_TELL
    told = f"none of {one.polls} failed"
    if one.failed:
        counts = (one.silent, one.garbled, one.refused, one.absent)
        ways = ", ".join(f"{count} {name}" for count, name in zip(counts, _WAYS, strict=True) if count)
        told = f"{reader.number(100 * one.failed / one.polls, 1)} % of {one.polls} failed: {ways}"
    return f"{told}; {one.missed} left out" if one.missed else told


def record_rows(
    health: Health, series: Sequence[StoredSeries], status: ServiceStatus | None, reader: Reader, now_ms: int
) -> Rows:
    """How large the record is, how fast it grows, and how long there is room."""
    bytes_a_day, since = _growth(health, series, status, now_ms)
    if bytes_a_day is None:
        growth = left = f"{CANNOT_TELL}: the record is younger than a day"
    else:
        growth = f"{size(reader, bytes_a_day)} a day, {since}"
        left = _days_left(health.disk_free_bytes, bytes_a_day, reader)
    return (
        ("Size", size(reader, health.file_bytes + health.wal_bytes)),
        ("Growth", growth),
        ("Free on its disk", size(reader, health.disk_free_bytes)),
        ("Room lasts", left),
        ("Written to disks", _written(status, reader)),
        ("Kept back for a full disk", size(reader, health.ballast_bytes)),
        ("Runs of the service and files read in", reader.number(health.sessions, 0)),
    )


def _growth(
    health: Health, series: Sequence[StoredSeries], status: ServiceStatus | None, now_ms: int
) -> tuple[float | None, str]:
    """Bytes a day, and over which time; since the service began if that is a day ago or more."""
    if status is not None and status.record_bytes_begun is not None and status.running_ms >= DAY_MS:
        days = status.running_ms / DAY_MS
        return max(0.0, (health.file_bytes - status.record_bytes_begun) / days), "since the service began"
    first = min((one.first_wall_ms for one in series if one.first_wall_ms is not None), default=now_ms)
    days = (now_ms - first) / DAY_MS
    return (health.file_bytes / days, "on average since the first reading") if days >= 1 else (None, "")


def _days_left(free: int, bytes_a_day: float, reader: Reader) -> str:
    if free >= bytes_a_day * 365 * _MOST_YEARS:
        return f"more than {_MOST_YEARS} years at this rate"
    return f"{reader.number(int(free / bytes_a_day), 0)} days at this rate"


def _written(status: ServiceStatus | None, reader: Reader) -> str:
    if status is None or status.written_bytes is None:
        return f"{CANNOT_TELL}: {NOT_TOLD if status is None else 'this kernel does not count it'}"
    if status.running_ms < _HOUR_MS:
        return f"{size(reader, status.written_bytes)} since the service began; a day's worth can be told after an hour"
    a_day = status.written_bytes * DAY_MS / status.running_ms
    return f"{size(reader, a_day)} a day, since the service began"


def mail_rows(ask: Ask, mails: Sequence[OutboxMail]) -> Rows:
    """What waits, what was accepted last, and whether it would be noticed if the logger died.

    Addresses are left out: that of a webhook may hold a secret.
    """
    settings, now_ms = ask.site, ask.clock.wall_ms()
    rows: list[tuple[str, str]] = []
    for lane, table in ((Lane.MAIL, settings.mail), (Lane.WEBHOOK, settings.webhook)):
        name = capital(_LANES[lane])
        if table is None:
            rows.append((name, "not set up" + ("; nobody is told of alarms by mail" if lane is Lane.MAIL else "")))
            continue
        look = ask.record.outbox(lane, now_ms)
        waiting = len(look.items) + sum(one.items for one in look.mails)
        tried = f" ({len(look.mails)} letters on their way)" if look.mails else ""
        rows.append((f"{name} that waits", f"{waiting} items{tried}" if waiting else "none"))
        accepted = max(
            (one.done_ms or 0 for one in mails if one.lane is lane and one.state is MailState.ACCEPTED), default=0
        )
        among = f"none of the last {LAST_MAILS} letters" if mails else "none yet"
        rows.append((f"{name} accepted last", instant_with_age(ask.words, accepted, now_ms) if accepted else among))
    beat = telling(settings)["heartbeat"]
    silence = "none is sent: if this logger dies, nobody is told"
    rows.append(("Sign of life", silence if beat is None else beat["words"]))
    return tuple(rows)


def mail_views(mails: Sequence[OutboxMail], reader: Reader) -> list[MailView]:
    """Mails that were refused, or that had to be tried again, the newest first."""
    found = []
    for one in mails:
        again = one.state is not MailState.ACCEPTED and one.answer
        if one.state is MailState.REFUSED or again:
            at_ms = one.done_ms or one.tried_ms or one.composed_ms
            refused = one.state is MailState.REFUSED
            state = (
                "refused; it is not tried again, and what it told goes into the next letter"
                if refused
                else _again(one, reader)
            )
            to = f"{one.receiver} ({_LANES[one.lane]})"
            found.append(MailView(reader.instant(at_ms), to, one.subject, state, one_line(one.answer)))
    return found


def _again(mail: OutboxMail, reader: Reader) -> str:
    return f"tried {mail.tries} times, the next time {reader.instant(mail.next_try_ms)}"


def version_rows(health: Health, status: ServiceStatus | None) -> Rows:
    pages = f"loggerd {__version__}, Python {'.'.join(map(str, sys.version_info[:3]))}"
    if status is None:
        service = f"{CANNOT_TELL}: {NOT_TOLD}"
    else:
        service = f"loggerd {status.program}, Python {status.python}"
        if status.program != __version__:
            service += "; another version than these pages: start both anew"
    return (("These pages", pages), ("Service", service), ("Form of the record", f"version {health.schema_version}"))


def event_views(events: Sequence[RecordEvent], reader: Reader, most: int) -> list[EventView]:
    """The newest first, at most so many."""
    newest = sorted(events, key=lambda one: one.wall_ms)[::-1][:most]
    return [
        EventView(reader.instant(one.wall_ms), one.kind.replace("_", " "), one.subject, one_line(one.text))
        for one in newest
    ]
