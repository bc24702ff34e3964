"""A record with alarms that are raised by hand, and its outbox, on a clock that the test moves."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from hand_recording import HandClock

from loggerd.alarms.catalogue import AlarmCondition
from loggerd.alarms.desk import Desk
from loggerd.delivering import Delivery, Way
from loggerd.model.alarm import AlarmEvent, AlarmKey, AlarmResults, ConditionNow, KeeperAction, Priority, Visit
from loggerd.model.ledger import Instant
from loggerd.model.outbox import Lane, NewItem, OutboxLook, OutboxUpdate
from loggerd.outputs.mail_form import mail_bytes, new_message_id
from loggerd.outputs.mail_sending import MailServer, send_mail
from loggerd.outputs.notify import Receiver, items_of
from loggerd.outputs.outcome import Outcome
from loggerd.outputs.planning import Letter
from loggerd.store.record import Commit, RecordReader, RecordWriter
from loggerd.wording.mail import Mail

MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR
SENDER = "hut@site.test"
CONDITIONS = {
    one.name: one
    for one in (
        AlarmCondition("spread", Priority.MEDIUM, Visit.WEEK, 72.0, off_delay_ms=0),
        AlarmCondition("short", Priority.HIGH, Visit.NOW, 24.0, off_delay_ms=0),
        AlarmCondition("follows_short", Priority.HIGH, Visit.NOW, 24.0, off_delay_ms=0, roots=("short",)),
        AlarmCondition("runaway", Priority.CRITICAL, Visit.NOW, 1.0, off_delay_ms=0, safety=True),
        AlarmCondition("water", Priority.LOW, Visit.ROUND, 240.0, off_delay_ms=0),
    )
}


def keeper(name: str = "anna", **changed: object) -> Receiver:
    bare = Receiver(Lane.MAIL, name, f"{name}@home.test")
    return replace(bare, **changed)  # type: ignore[arg-type]


def key(condition: str, subject: str = "bank", bank: str = "house") -> AlarmKey:
    return AlarmKey(bank, condition, subject)


def simple_mail(letter: Letter, reader: RecordReader | None = None) -> Mail:
    """A line for each item: "raised spread block 7 #12"; the last number is that of the change."""
    lines = []
    for item in letter.items:
        change = item.change
        what = (
            item.kind.value if change is None else f"{change.event.value} {change.key.condition} {change.key.subject}"
        )
        lines.append(f"{item.kind.value}: {what} #{item.change_id}")
    return Mail(f"{letter.topic}: {len(letter.items)}", "\n".join(lines) + "\n", "")


def told_in(text: str) -> list[int]:
    """Numbers of the changes that a simple mail lists."""
    return [int(line.rpartition("#")[2]) for line in text.splitlines() if "#" in line and "None" not in line]


class Bench:
    """One site. `look` sets which alarms hold now, and commits what comes of it."""

    def __init__(self, path: Path, receivers: tuple[Receiver, ...], clock: HandClock, synchronous: str = "OFF") -> None:
        self.path = path
        self.receivers = receivers
        self.clock = clock
        self.writer = RecordWriter.open(path, synchronous=synchronous)
        self.session = self.writer.begin_session("live", clock.wall_ms(), clock.mono_ms(), "bench")
        with self.reading() as reader:
            self._desk = Desk(CONDITIONS.values(), reader.alarms())
        self._holding: set[AlarmKey] = {alarm.key for alarm in self._desk.alarms.values() if alarm.active}

    @contextmanager
    def reading(self) -> Iterator[RecordReader]:
        reader = RecordReader.open(self.path)
        try:
            yield reader
        finally:
            reader.close()

    def now(self) -> Instant:
        return Instant(self.session, self.clock.wall_ms())

    def look(self, *begins: AlarmKey, ends: tuple[AlarmKey, ...] = ()) -> AlarmResults:
        self._holding = (self._holding | set(begins)) - set(ends)
        return self._commit(self._desk.look(self.now(), [ConditionNow(one, True) for one in self._holding]))

    def acknowledge(self, alarm: AlarmKey, who: str = "anna") -> AlarmResults:
        return self._commit(self._desk.act(self.now(), [KeeperAction(alarm, AlarmEvent.ACKNOWLEDGED, who)]))

    def _commit(self, results: AlarmResults) -> AlarmResults:
        items = items_of(results, CONDITIONS, self.receivers, self.clock.wall_ms())
        self.writer.commit(Commit(alarms=results, outbox=tuple(items)))
        return results

    def add(self, *items: NewItem) -> None:
        self.writer.update_outbox(OutboxUpdate(items=items))

    def outbox(self, lane: Lane = Lane.MAIL) -> OutboxLook:
        with self.reading() as reader:
            return reader.outbox(lane, 0)

    def store(self, update: OutboxUpdate) -> None:
        self.writer.update_outbox(update)

    def delivery(self, server: MailServer | Callable[[], MailServer], seconds: float = 20.0) -> Delivery:
        return Delivery(self.path, way(self.receivers, server, seconds), self.store, self.clock)

    def run(self, delivery: Delivery, span_ms: int) -> None:
        """Turn after turn, for that long by the hand clock."""
        end_ms = self.clock.wall_ms() + span_ms
        while True:
            until_ms = delivery.turn()
            if until_ms > end_ms:
                break
            if until_ms > self.clock.wall_ms():
                self.clock.pass_by(until_ms - self.clock.wall_ms())
        self.clock.pass_by(end_ms - self.clock.wall_ms())

    def close(self) -> None:
        self.writer.close()


def way(receivers: tuple[Receiver, ...], server: MailServer | Callable[[], MailServer], seconds: float = 20.0) -> Way:
    """Mail by a simple text."""

    def compose(letter: Letter, message_id: str, reader: RecordReader) -> tuple[str, bytes]:
        mail = simple_mail(letter, reader)
        people = "Hut", SENDER, letter.receiver.address
        return mail.subject, mail_bytes(mail, people, message_id, _date(letter.now_ms), urgent=letter.urgent)

    def send(mail: object, content: bytes, attempt: object) -> Outcome:
        chosen = server() if callable(server) else server
        return send_mail(chosen, mail.address, content, attempt)  # type: ignore[attr-defined, arg-type]

    mine = tuple(one for one in receivers if one.lane is Lane.MAIL)
    return Way(Lane.MAIL, mine, compose, lambda: new_message_id(SENDER), send, seconds)


def _date(at_ms: int) -> object:
    from datetime import UTC, datetime

    return datetime.fromtimestamp(at_ms / 1000, UTC)
