"""The delivering threads beside commits: what hangs out there is noticed by nobody but them."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hand_recording import HandClock
from outbox_bench import SENDER, Bench, keeper, key, told_in, way
from smtp_servers import Manners, RudeServer, serving
from until import until

from loggerd.clock import SystemClock
from loggerd.delivering import Delivering, store_through
from loggerd.model.outbox import MailState
from loggerd.outputs.attempt import MOST_LEFT, Attempt, Runner
from loggerd.outputs.mail_sending import MailServer
from loggerd.outputs.outcome import Outcome


class Now(HandClock):
    """The real time, as the bench reads it."""

    def __init__(self) -> None:
        super().__init__()
        self._real = SystemClock()

    def mono_ms(self) -> int:
        return self._real.mono_ms()

    def wall_ms(self) -> int:
        return self._real.wall_ms()


class Beside:
    """A bench whose writer belongs to a thread of its own, as in the service, with delivering threads beside it."""

    def __init__(self, folder: Path, server: MailServer, seconds: float) -> None:
        self.writing = ThreadPoolExecutor(1)
        receivers = (keeper("anna"), keeper("ben"))
        self.bench = self.writing.submit(Bench, folder / "record.sqlite", receivers, Now()).result()
        store = store_through(self.writing, self.bench.store)
        self.delivering = Delivering(self.bench.path, (way(receivers, server, seconds),), store, SystemClock())
        self.delivering.start()

    def raise_urgent(self, subject: str) -> None:
        self.writing.submit(self.bench.look, key("runaway", subject)).result()
        self.delivering.wake()

    def close(self) -> None:
        self.delivering.stop(0.2)
        self.writing.submit(self.bench.close).result()
        self.writing.shutdown()


@pytest.fixture
def opened() -> Iterator[list[Beside]]:
    beside: list[Beside] = []
    yield beside
    for one in beside:
        one.close()


def plain(port: int) -> MailServer:
    return MailServer("127.0.0.1", port, "none", SENDER)


async def test_an_alarm_is_mailed_as_soon_as_it_is_stored(tmp_path: Path, opened: list[Beside]) -> None:
    with serving(Manners()) as manners:
        one = Beside(tmp_path, plain(manners.port), 20)
        opened.append(one)
        one.raise_urgent("block 1")
        await until(lambda: len(manners.taken) == 2)
        one.raise_urgent("block 2")
        await until(lambda: len(manners.taken) == 4)
        await until(lambda: one.bench.outbox().mails == ())
        assert one.delivering.alive()
        told = [
            number for taken in manners.taken if "anna@home.test" in taken.receivers for number in told_in(taken.text)
        ]
        assert len(told) == len(set(told)) == 2
    one.close()
    opened.clear()


async def test_commits_go_on_while_a_server_drips(tmp_path: Path, opened: list[Beside]) -> None:
    """A try that hangs is given up in its time; meanwhile every commit that was asked for is made."""
    with RudeServer(lambda connection: "EHLO" if connection == 1 else None, drip_seconds=0.2) as server:
        one = Beside(tmp_path, plain(server.port), 3)
        opened.append(one)
        one.raise_urgent("block 1")
        commits = 0
        while not any(mail.answer for mail in one.bench.outbox().mails):
            one.writing.submit(one.bench.look).result()
            commits += 1
        assert commits > 10
        (first, *_) = [mail for mail in one.bench.outbox().mails if mail.answer]
        assert "took too long" in first.answer
        # The one that hung may have been tried again by then, on a slow machine.
        await until(lambda: len(server.taken) >= 1)
        assert one.delivering.alive()
        one.close()
        opened.clear()


async def test_stopping_does_not_wait_for_the_network(tmp_path: Path, opened: list[Beside]) -> None:
    with RudeServer(lambda _: "EHLO", drip_seconds=0.05) as server:
        one = Beside(tmp_path, plain(server.port), 600)
        opened.append(one)
        one.raise_urgent("block 1")
        await until(lambda: server.connections == 1)
        one.close()
        opened.clear()
        again = Bench(tmp_path / "record.sqlite", (keeper("anna"), keeper("ben")), Now())
        states = [(mail.state, mail.tries) for mail in again.outbox().mails]
        again.close()
    assert {(MailState.SENDING, 1), (MailState.QUEUED, 1)} & set(states), "it is known that it was tried"


def test_hung_look_ups_do_not_pile_up() -> None:
    """As with a resolver that does not come back: its thread is left, and no more than a few are."""
    release, runner = threading.Event(), Runner()

    def hang(attempt: Attempt) -> Outcome:
        release.wait()
        attempt.step("connecting")  # raises: its time is over
        return Outcome("", accepted=True)

    def quiet(attempt: Attempt) -> Outcome:
        try:
            return hang(attempt)
        except OSError:
            return Outcome("given up")

    answers = [runner.run(Attempt(0.05), quiet).answer for _ in range(MOST_LEFT)]
    assert all("took too long" in answer for answer in answers)
    assert "still hang" in runner.run(Attempt(5), quiet).answer
    release.set()
    while "still hang" in (answer := runner.run(Attempt(5), lambda _: Outcome("done", accepted=True)).answer):
        pass
    assert answer == "done"
