"""Kill -9 at random instants while mail is delivered: nothing is lost, and what comes twice is the same mail."""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import time
from collections import Counter
from pathlib import Path

import pytest
from hand_recording import HandClock
from outbox_bench import DAY, SENDER, Bench, keeper, key, told_in
from smtp_servers import Manners, serving

from loggerd.model.outbox import MailState
from loggerd.outputs.mail_sending import MailServer

SEED = int(os.environ.get("LOGGERD_TEST_SEED", random.SystemRandom().randrange(10**6)))
START_MS = 1_790_000_000_000
RECEIVERS = (keeper("anna", repeat_hours=0.0), keeper("ben", repeat_hours=0.0))
_STEP_MS = 2 * 3_600_000

starter = multiprocessing.get_context("forkserver")
starter.set_forkserver_preload(["loggerd.delivering", "loggerd.store.record", "outbox_bench"])


def deliver(record: str, port: int, ack: str, wall_ms: int, first: int) -> None:
    """A service that raises one alarm after the other and mails them; its time goes fast, to be held by no cap."""
    clock = HandClock(wall_ms=wall_ms)
    bench = Bench(Path(record), RECEIVERS, clock)
    delivery = bench.delivery(MailServer("127.0.0.1", port, "none", SENDER))
    said = os.open(ack, os.O_WRONLY | os.O_APPEND)
    for number in range(first, first + 10**6):
        standing = tuple(alarm.key for alarm in bench._desk.alarms.values() if alarm.active)
        bench.look(key("runaway", f"block {number}"), ends=standing)
        os.write(said, b".")
        bench.run(delivery, _STEP_MS)


def kill_once(record: Path, port: int, ack: Path, number: int, rng: random.Random) -> None:
    wall_ms = START_MS + number * 100 * DAY
    process = starter.Process(target=deliver, args=(str(record), port, str(ack), wall_ms, number * 1000))
    process.start()
    size = ack.stat().st_size
    while ack.stat().st_size == size and process.is_alive():
        time.sleep(0.001)
    time.sleep(rng.uniform(0, 0.15))
    assert process.pid is not None
    os.kill(process.pid, signal.SIGKILL)
    process.join()
    assert process.exitcode == -signal.SIGKILL
    process.close()


def kill_and_count(folder: Path, kills: int) -> None:
    print(f"seed {SEED}")
    rng = random.Random(SEED)
    record, ack = folder / "record.sqlite", folder / "ack"
    ack.touch()
    Bench(record, RECEIVERS, HandClock(wall_ms=START_MS)).close()
    unknown: Counter[str] = Counter()
    with serving(Manners()) as manners:
        for number in range(1, kills + 1):
            kill_once(record, manners.port, ack, number, rng)
            bench = Bench(record, RECEIVERS, HandClock(wall_ms=START_MS + (number * 100 + 90) * DAY))
            unknown.update(one.message_id for one in bench.outbox().mails if one.state is MailState.SENDING)
            bench.close()
        bench = Bench(record, RECEIVERS, HandClock(wall_ms=START_MS + (kills + 2) * 100 * DAY))
        bench.run(bench.delivery(MailServer("127.0.0.1", manners.port, "none", SENDER)), 30 * DAY)
    with bench.reading() as reader:
        changes = {one.id for one in reader.alarm_changes()}
    look = bench.outbox()
    assert (look.items, look.mails) == ((), ())
    bench.close()
    for receiver in RECEIVERS:
        mine = [one for one in manners.taken if one.receivers == [receiver.address]]
        assert {number for one in mine for number in told_in(one.text)} == changes, "nothing is lost"
        first = [number for one in {one.message_id: one for one in mine}.values() for number in told_in(one.text)]
        assert first == sorted(first), "in order"
        assert len(first) == len(set(first)), "what is told twice, is told by the same mail"
    copies = Counter(one.message_id for one in manners.taken)
    contents = {(one.message_id, one.content) for one in manners.taken}
    assert len(contents) == len(copies), "each copy is the same, byte for byte"
    twice = {name: count - 1 for name, count in copies.items() if count > 1}
    assert all(count <= unknown[name] for name, count in twice.items()), "only where nobody can know"
    print(f"{kills} kills, {len(changes)} changes, {len(manners.taken)} mails, {sum(unknown.values())} kills while")
    print(f"sending, {sum(twice.values())} mails twice, at most {max(copies.values())} copies of one")
    assert len(changes) >= kills


def test_a_few_kills_lose_nothing(tmp_path: Path) -> None:
    kill_and_count(tmp_path, 8)


@pytest.mark.long
@pytest.mark.timeout(900)
def test_two_hundred_kills_lose_nothing(tmp_path: Path) -> None:
    kill_and_count(tmp_path, 200)
