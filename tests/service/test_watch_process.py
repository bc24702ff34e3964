"""The real watcher: real calls, a real mail server, kill -9; and a real service whose sign of life it gets."""

from __future__ import annotations

import asyncio
import contextlib
import http.client
import os
import random
import signal
import socket
import time
from itertools import pairwise
from pathlib import Path

import pytest
from quick_bank import QuickBank
from quick_site import SHUNT, VOLTS, bank, device, settings_of, write_site
from running_service import SettableClock, recording_of, running
from smtp_servers import Manners, Taken, serving
from until import until
from watch_bench import LISTEN, MAIL, MAILBOX, SECRET, SENT_MS, WatchBench, body, mailed, post, signed, write_watch
from watch_process import WatchProcess, free_port, look_once, wait_until

from loggerd.model.outbox import ItemKind, Lane, NewItem, OutboxUpdate

SEED = int(os.environ.get("LOGGERD_TEST_SEED", random.SystemRandom().randrange(10**6)))
SOON_MS = 1500
"""The next sign of life is due after so long, so that a test need not wait for a day."""


def watched(folder: Path, port: int, mail_port: int = 25, *, grace: float = 0, more: str = "") -> Path:
    return write_watch(folder, LISTEN.format(port=port) + MAILBOX, MAIL.format(port=mail_port, more=more), grace=grace)


def test_calls_are_answered(tmp_path: Path) -> None:
    port = free_port()
    with WatchProcess(watched(tmp_path, port, grace=120), port) as watch:
        assert post(port, body()) == 204
        assert watch.known()["newest_number"] == 1, "it is stored before it is answered"
        assert post(port, body(), signed(body(), "another")) == 401
        assert post(port, body(), "") == 401
        assert post(port, b"garbage") == 400
        assert post(port, b"x" * 1_000_001) == 413
        assert post(port, body(2, SENT_MS + 1), path="/any/path?at=all") == 204
        assert raw(port, b"POST / HTTP/1.1\r\n\r\n") == 411
        assert raw(port, b"POST / HTTP/1.1\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n") == 411
        assert raw(port, b"POST / HTTP/1.1\r\nContent-Length: -5\r\n\r\n") == 400
        assert raw(port, b"POST / HTTP/1.1\r\nContent-Length: 5\r\n\r\n123", end=True) == 400
        assert raw(port, b"GET / HTTP/1.1\r\n\r\n") == 501
        code, said = watch.stop()
    assert code == 0
    assert SECRET not in said
    assert "Traceback" not in said


def raw(port: int, content: bytes, *, end: bool = False) -> int:
    """The status that is answered to these bytes. `end`: of what is sent."""
    with socket.create_connection(("127.0.0.1", port), 20) as connected:
        connected.sendall(content)
        if end:
            connected.shutdown(socket.SHUT_WR)
        answer = http.client.HTTPResponse(connected)
        answer.begin()
        return answer.status


def test_no_garbage_brings_it_down(tmp_path: Path) -> None:
    print(f"seed {SEED}")
    rng = random.Random(SEED)
    port = free_port()
    begins = [b"", b"POST / HTTP/1.1\r\n", b"POST / HTTP/1.1\r\nContent-Length: 9\r\n\r\n", b"\x16\x03\x01"]
    with WatchProcess(watched(tmp_path, port, grace=120), port) as watch, contextlib.ExitStack() as held:
        for _ in range(200):
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 5) as connected:
                connected.sendall(rng.choice(begins) + rng.randbytes(rng.randrange(200)))
        # Those who connect and say nothing take some of the room, and not all of the time.
        for _ in range(10):
            held.enter_context(socket.create_connection(("127.0.0.1", port), 5))
        wait_until(lambda: _answered(port, body()) == 204)
        code, said = watch.stop()
    assert code == 0
    assert "Traceback" not in said


def _answered(port: int, content: bytes) -> int:
    """0 where it has been turned away: there were too many at the time."""
    try:
        return post(port, content)
    except (OSError, http.client.HTTPException):
        return 0


def test_a_site_that_falls_silent_is_told_and_that_it_is_back(tmp_path: Path) -> None:
    port = free_port()
    with serving(Manners()) as manners, WatchProcess(watched(tmp_path, port, manners.port), port) as watch:
        assert post(port, body(1, SENT_MS, SOON_MS)) == 204
        wait_until(lambda: len(manners.taken) == 1)
        assert look_once(watch.settings)[0] == 1
        for _ in range(5):
            assert post(port, body(1, SENT_MS, SOON_MS)) == 204, "an old one again"
        time.sleep(2)
        assert len(manners.taken) == 1
        assert post(port, body(2, SENT_MS + 1)) == 204
        wait_until(lambda: len(manners.taken) == 2)
        code, said = look_once(watch.settings)
        assert (code, watch.stop()[0]) == (0, 0)
    assert '"Hut": as it should be' in said
    assert ["back" in one.parsed["Subject"] for one in manners.taken] == [False, True]


def test_a_mail_in_the_folder_counts(tmp_path: Path) -> None:
    port = free_port()
    path = watched(tmp_path, port, grace=120)
    with WatchProcess(path, port) as watch:
        (tmp_path / "draft").write_bytes(mailed())
        (tmp_path / "draft").rename(tmp_path / "mails" / "1")
        wait_until(lambda: watch.known().get("newest_number") == 1)


def test_killed_between_acceptance_and_state_the_same_mail_comes_once_more(tmp_path: Path) -> None:
    """The mail server kills the watcher with a mail in its hands: nobody but the server knows that it was taken."""
    port = free_port()
    running_one: list[WatchProcess] = []
    kills = [2]

    def answer(taken: Taken) -> str:
        if kills[0]:
            kills[0] -= 1
            running_one[-1].process.send_signal(signal.SIGKILL)
        return "250 taken"

    with serving(Manners(data=answer)) as manners:
        path = watched(tmp_path, port, manners.port)
        with WatchProcess(path, port) as watch:
            running_one.append(watch)
            assert post(port, body(1, SENT_MS, 1)) == 204
            wait_until(lambda: watch.ended)
        for expected in (2, 3):
            with WatchProcess(path, None) as watch:
                running_one.append(watch)
                wait_until(lambda watch=watch, expected=expected: watch.ended or len(manners.taken) == expected)
                if not watch.ended:
                    time.sleep(2)
                    watch.stop()
        with WatchProcess(path, port) as watch:
            time.sleep(3)
            code, said = watch.stop()
            assert code == 0, said
    assert len(manners.taken) == 3, "once for each kill, and once more"
    assert len({one.message_id for one in manners.taken}) == 1
    assert len({one.content for one in manners.taken}) == 1


def test_kills_at_random_neither_forget_nor_double_more_than_they_must(tmp_path: Path) -> None:
    print(f"seed {SEED}")
    rng = random.Random(SEED)
    port = free_port()
    kills = 5
    with serving(Manners()) as manners:
        path = watched(tmp_path, port, manners.port)
        for number in range(kills):
            with WatchProcess(path, port) as watch:
                post(port, body(number + 1, SENT_MS + number, 1))
                time.sleep(rng.uniform(0, 1.5))
                watch.kill()
        with WatchProcess(path, port) as watch:
            wait_until(lambda: watch.known().get("silent_mono_ms") is not None)
            wait_until(lambda: bool(manners.taken))
            time.sleep(2)
            code, said = watch.stop()
            assert code == 0, said
    copies = [one.message_id for one in manners.taken]
    assert len(copies) - len(set(copies)) <= kills
    kinds = ["back" in one.parsed["Subject"] for one in {one.message_id: one for one in manners.taken}.values()]
    assert all(now != then for now, then in pairwise(kinds)), "silent and back in turn"
    assert kinds[0] is False
    assert kinds[-1] is False


def test_the_supervisor_hears_of_it(tmp_path: Path) -> None:
    port = free_port()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as supervisor:
        supervisor.bind(str(tmp_path / "notify"))
        supervisor.settimeout(20)
        environment = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "600000"}
        with WatchProcess(watched(tmp_path, port), port, environment) as watch:
            heard = [supervisor.recv(4096).decode().splitlines() for _ in range(3)]
            assert watch.stop()[0] == 0
            wait_until(lambda: "STOPPING=1" in supervisor.recv(4096).decode())
    assert heard[0] == ["READY=1", "STATUS=waiting for 1 sites, 0 overdue"]
    assert {one[0] for one in heard[1:]} == {"WATCHDOG=1"}


def test_a_port_that_is_taken_and_settings_without_a_keeper_are_named(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with WatchProcess(watched(tmp_path, taken.getsockname()[1])) as watch:
            code, said = watch.finish()
    assert code == 2
    assert "nobody can listen there" in said
    with WatchProcess(write_watch(tmp_path, MAILBOX)) as watch:
        code, said = watch.finish()
    assert code == 2
    assert "[[keeper]]" in said


def test_once_is_enough_for_cron(tmp_path: Path) -> None:
    path = write_watch(tmp_path, MAILBOX, grace=0)
    code, said = look_once(path)
    assert (code, "not heard of yet, and waited for until" in said) == (0, True)
    (tmp_path / "mails" / "1").write_bytes(mailed(1, SENT_MS, 1))
    look_once(path)
    time.sleep(0.1)
    code, said = look_once(path)
    assert code == 1
    assert '"Hut": OVERDUE' in said
    (tmp_path / "mails" / "2").write_bytes(mailed(2, SENT_MS + 1))
    code, said = look_once(path)
    assert (code, "as it should be" in said) == (0, True)


def test_beside_a_running_watcher_it_only_looks(tmp_path: Path) -> None:
    port = free_port()
    with WatchProcess(watched(tmp_path, port, grace=120), port) as watch:
        wait_until(lambda: bool(watch.known()))
        before = (tmp_path / "watch-state.json").read_bytes()
        assert look_once(watch.settings)[0] == 0
        assert (tmp_path / "watch-state.json").read_bytes() == before
        with WatchProcess(watch.settings) as second:
            code, said = second.finish()
    assert code == 1
    assert "held by another watcher" in said


# -- from a real service --

TABLES = """
[mail]
server = "127.0.0.1"
port = {mail_port}
security = "none"
from = "loggerd@hut.test"

[[keeper]]
name = "office"
mail = "watch@office.test"

[webhook]
url = "http://127.0.0.1:{port}/hut"
secret_file = "{secret}"

[heartbeat]
to = ["webhook", "office"]
secret_file = "{secret}"
"""


async def test_the_sign_of_life_of_a_real_service_arrives_by_both_ways(tmp_path: Path) -> None:
    """Its webhook goes to a real watcher; its mail, as the mail server took it, into the folder of another one."""
    port = free_port()
    (tmp_path / "other").mkdir()
    path = write_watch(tmp_path, LISTEN.format(port=port), MAIL.format(port=25, more=""), name="Quick")
    other = WatchBench(write_watch(tmp_path / "other", MAILBOX, name="Quick"))
    with serving(Manners()) as manners, WatchProcess(path, port) as watch:
        tables = TABLES.format(mail_port=manners.port, port=port, secret=tmp_path / "hut-secret")
        async with QuickBank() as instrument:
            shunt = device("shunt", "house", instrument.port, (SHUNT, VOLTS))
            settings = settings_of(write_site(tmp_path, bank("house"), shunt, tables))
            async with running(settings, SettableClock()) as service:
                recording = recording_of(service)
                now = recording.wall_ms()
                items = (
                    NewItem(Lane.WEBHOOK, "webhook", ItemKind.HEARTBEAT, now, now),
                    NewItem(Lane.MAIL, "office", ItemKind.HEARTBEAT, now, now),
                )
                update = OutboxUpdate(items=items)
                await asyncio.to_thread(lambda: service._writing.submit(recording.update_outbox, update).result())
                recording.told()
                await until(lambda: watch.known("Quick").get("newest_ms") is not None and bool(manners.taken))
    other.drop(manners.taken[0].content)
    other.watcher.look()
    (site,) = other.watcher.sites()
    assert site.heard_ms == other.clock.wall_ms()
    assert 0 < site.next_ms - site.heard_ms <= 48 * 3_600_000
    assert watch.known("Quick")["newest_ms"] == pytest.approx(now, abs=120_000)
    unsigned = manners.taken[0].content.replace(b"X-Loggerd-Signature", b"X-Something-Else")
    assert unsigned != manners.taken[0].content
    (tmp_path / "forged").mkdir()
    forged = WatchBench(write_watch(tmp_path / "forged", MAILBOX, name="Quick"))
    forged.drop(unsigned)
    forged.watcher.look()
    assert forged.watcher.sites()[0].heard_ms is None
