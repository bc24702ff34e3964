"""Delivers what is in the outbox: a thread for each way out, beside everything else.

It reads the record through a reader of its own, and lets the writing thread store what it comes to. It may hang, fail
or be late without anything else noticing: polls and commits never wait for it.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from concurrent.futures import CancelledError, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

from loggerd.clock import Clock
from loggerd.errors import StoreError
from loggerd.model.outbox import Lane, MailNote, MailState, NewMail, OutboxMail, OutboxUpdate
from loggerd.outputs.attempt import Attempt, Runner
from loggerd.outputs.back_off import wait_ms
from loggerd.outputs.notify import Receiver
from loggerd.outputs.outcome import Outcome, Trouble
from loggerd.outputs.planning import DAY_MS, Letter, Step, next_step, oldest_waiting_ms, refusals
from loggerd.store.record import RecordReader

_log = logging.getLogger("loggerd")

LONGEST_SLEEP_SECONDS = 60.0
"""So often it is looked at anyway: the wall clock may have been set."""
FAULT_SECONDS = 10.0
"""After the record could not be read or written."""


class Store(Protocol):
    """Stores changes of the outbox, in the thread that writes. Raises StoreError."""

    def __call__(self, update: OutboxUpdate, /) -> None: ...


def store_through(writing: ThreadPoolExecutor, update_outbox: Callable[[OutboxUpdate], object]) -> Store:
    """Stores in the one thread that writes."""

    def store(update: OutboxUpdate) -> None:
        try:
            writing.submit(update_outbox, update).result()
        except (RuntimeError, CancelledError) as error:
            raise StoreError("the service is stopping") from error

    return store


@dataclass(frozen=True)
class Way:
    """How one lane makes its messages and hands them over.

    `compose`: a letter as it is sent, and its subject; `name`: a new name for a message. `send`: hands one over;
    raises nothing. `seconds`: for a try, up to the answer.
    """

    lane: Lane
    receivers: tuple[Receiver, ...]
    compose: Callable[[Letter, str, RecordReader], tuple[str, bytes]]
    name: Callable[[], str]
    send: Callable[[OutboxMail, bytes, Attempt], Outcome]
    seconds: float


@dataclass(frozen=True)
class MailHealth:
    """What the logger's own conditions look at. `refused`: what was said by who will not be content with waiting."""

    waiting_ms: int = 0
    refused: str = ""


class Delivery:
    """One lane, turn by turn. Not for two threads at the same time."""

    def __init__(self, record: Path, way: Way, store: Store, clock: Clock) -> None:
        self._record = record
        self._way = way
        self._store = store
        self._clock = clock
        self._runner = Runner()
        self._unstored: list[MailNote] = []
        self._troubled: dict[str, str] = {}
        self._attempt: Attempt | None = None
        self.health = MailHealth()

    def turn(self) -> int:
        """Do one thing: compose a mail, or try one. Returns until when (wall ms) there is nothing more to do, 0 for
        nothing that is known. Raises StoreError; what became of a mail is then stored at the next turn."""
        self._store_notes()
        reader = RecordReader.open(self._record)
        try:
            now_ms = self._clock.wall_ms()
            look = reader.outbox(self._way.lane, now_ms - 2 * DAY_MS)
            alarms = {one.key: one for one in reader.alarms()}
            told = {**refusals(look), **self._troubled}
            refused = "; ".join(f"{self._way.lane.value} to {name}: {told[name]}" for name in sorted(told))
            self.health = MailHealth(oldest_waiting_ms(look, now_ms), refused)
            step = next_step(look, self._way.receivers, alarms, now_ms)
            if step.letter is not None:
                self._compose(step, step.letter, reader)
            elif step.dropped:
                self._store(OutboxUpdate(dropped=step.dropped))
            content = None if step.mail is None else reader.mail_content(step.mail.id)
        finally:
            reader.close()
        if step.mail is not None:
            self._try(step.mail, content, look.mails)
        return step.wait_ms

    def give_up(self) -> None:
        """End the try under way, from another thread."""
        if (attempt := self._attempt) is not None:
            attempt.give_up()

    def _compose(self, step: Step, letter: Letter, reader: RecordReader) -> None:
        """The mail is stored whole before it is first tried, so that every try sends the same."""
        name = self._way.name()
        subject, content = self._way.compose(letter, name, reader)
        receiver = letter.receiver
        identities = tuple(item.id for item in letter.items)
        mail = NewMail(
            self._way.lane, receiver.name, letter.topic, receiver.address, name, subject, content, letter.urgent,
            letter.now_ms, identities,
        )  # fmt: skip
        self._store(OutboxUpdate(items=step.items, mails=(mail,)))

    def _try(self, mail: OutboxMail, content: bytes | None, others: tuple[OutboxMail, ...]) -> None:
        receiver = next((one for one in self._way.receivers if one.name == mail.receiver), None)
        if content is None or receiver is None:
            why = "the settings name this receiver no more" if content is not None else "its content is gone"
            self._note(mail, Outcome(why, refused=True), ())
            return
        # The address of today: it may have been corrected in the settings.
        mail = replace(mail, address=receiver.address)
        self._store(OutboxUpdate(notes=(MailNote(mail.id, MailState.SENDING, self._clock.wall_ms()),)))
        self._attempt = attempt = Attempt(self._way.seconds)
        outcome = self._runner.run(attempt, lambda running: self._way.send(mail, content, running))
        self._attempt = None
        self._note(mail, outcome, others)

    def _note(self, mail: OutboxMail, outcome: Outcome, others: tuple[OutboxMail, ...]) -> None:
        now_ms = self._clock.wall_ms()
        if outcome.accepted:
            self._troubled.pop(mail.receiver, None)
            self._unstored.append(MailNote(mail.id, MailState.ACCEPTED, now_ms, outcome.answer))
            # The way is open: what had failed on it need not wait any longer.
            self._unstored += [
                MailNote(one.id, MailState.QUEUED, now_ms, one.answer, now_ms)
                for one in others
                if one.id != mail.id and one.state is MailState.QUEUED and one.tries and one.next_try_ms > now_ms
            ]
        elif outcome.refused:
            self._tell(mail, f"will not be taken: {outcome.answer}")
            self._unstored.append(MailNote(mail.id, MailState.REFUSED, now_ms, outcome.answer))
        else:
            if outcome.trouble is Trouble.SETUP:
                self._tell(mail, outcome.answer)
            next_ms = now_ms + wait_ms(outcome, mail.tries + 1, urgent=mail.urgent)
            self._unstored.append(MailNote(mail.id, MailState.QUEUED, now_ms, outcome.answer, next_ms))
        self._store_notes()

    def _tell(self, mail: OutboxMail, answer: str) -> None:
        """What time alone does not mend is told in the log, and becomes an alarm; once until it changes."""
        if self._troubled.get(mail.receiver) != answer:
            self._troubled[mail.receiver] = answer
            _log.warning("%s to %s: %s", self._way.lane.value, mail.receiver, answer)

    def _store_notes(self) -> None:
        """What became of mails is known here until it is stored: none of them is sent again before."""
        if self._unstored:
            self._store(OutboxUpdate(notes=tuple(self._unstored)))
            self._unstored = []


class Delivering:
    """The threads of all lanes. `wake` after each commit that put something into the outbox."""

    def __init__(self, record: Path, ways: tuple[Way, ...], store: Store, clock: Clock) -> None:
        self._clock = clock
        self._deliveries = {way.lane: Delivery(record, way, store, clock) for way in ways}
        self._patience = {way.lane: way.seconds + 1_200.0 for way in ways}
        self._wakes = {lane: threading.Event() for lane in self._deliveries}
        self._turned = dict.fromkeys(self._deliveries, time.monotonic())
        self._stopping = threading.Event()
        self._threads = [
            threading.Thread(target=self._run, args=(lane,), name=f"delivering {lane.value}", daemon=True)
            for lane in self._deliveries
        ]

    def start(self) -> None:
        for thread in self._threads:
            thread.start()

    def wake(self) -> None:
        """Something may be due."""
        for event in self._wakes.values():
            event.set()

    def stop(self, seconds: float = 5.0) -> None:
        """Stop after the turn under way, or end the try in it: what became of that mail is then not known.

        Not to be called from the thread that writes, which a turn may wait for.
        """
        self._stopping.set()
        self.wake()
        give_up = time.monotonic() + seconds
        for thread in self._threads:
            thread.join(max(0.0, give_up - time.monotonic()))
        for delivery in self._deliveries.values():
            delivery.give_up()
        for thread in self._threads:
            thread.join(1.0)

    def alive(self) -> bool:
        """Whether every lane gets on with its work, be it that nothing can be sent. Asked after start()."""
        now = time.monotonic()
        turning = all(now - self._turned[lane] < self._patience[lane] for lane in self._turned)
        return turning and all(thread.is_alive() for thread in self._threads)

    def health(self) -> MailHealth:
        """Of all lanes together."""
        found = [one.health for one in self._deliveries.values()]
        refused = "; ".join(one.refused for one in found if one.refused)
        return MailHealth(max((one.waiting_ms for one in found), default=0), refused)

    def _run(self, lane: Lane) -> None:
        delivery, wake = self._deliveries[lane], self._wakes[lane]
        fault: str | None = None
        while not self._stopping.is_set():
            self._turned[lane] = time.monotonic()
            wake.clear()
            try:
                until_ms = delivery.turn()
                seconds = (until_ms - self._clock.wall_ms()) / 1000 if until_ms else 0.0
                fault = None
            except StoreError as error:
                if str(error) != fault:
                    _log.warning("delivering %s: %s", lane.value, error)
                fault, seconds = str(error), FAULT_SECONDS
            if seconds > 0:
                wake.wait(min(seconds, LONGEST_SLEEP_SECONDS))
