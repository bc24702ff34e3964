"""A hung resolver, a server that drips, a half-open link: polls and commits go on as if there were no mail."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest
from quick_bank import QuickBank
from quick_site import SHUNT, VOLTS, bank, device, settings_of, write_site
from running_service import recording_of, running
from smtp_servers import RudeServer
from until import until

from loggerd.clock import SystemClock
from loggerd.model.outbox import ItemKind, Lane, MailState, NewItem, OutboxUpdate
from loggerd.service import Service
from loggerd.sources.base import DeviceHealth
from loggerd.store.record import RecordReader

NAMED = "mail.hut.example"
POLL_SECONDS, COMMIT_SECONDS = 0.1, 0.25
SLOTS = 60
"""Polls due in each of the two stretches that are compared: six seconds."""
MORE_MISSED = 0.25
"""Share of them that may be missed on top of those missed without mail: fifteen, one and a half seconds. A busy machine
misses a few at any time; polls that waited for mail would miss all of a stretch, since no try ends within one."""
LEAST_COMMITS = 6
"""Of 24 that are due in a stretch: a commit that waited for mail would make none."""
MAIL = """
[mail]
server = "{host}"
port = {port}
security = "{security}"
timeout_seconds = 600
from = "loggerd@hut.example"

[[keeper]]
name = "anna"
mail = "anna@home.example"
"""


@dataclass
class Trouble:
    """Where mail gets stuck, and whether it is by now."""

    host: str
    port: int
    stuck: Callable[[], bool]


@contextlib.contextmanager
def hung_resolver(patch: pytest.MonkeyPatch) -> Iterator[Trouble]:
    """The look-up of the mail server's name does not come back; others do."""
    asked, release = threading.Event(), threading.Event()
    real = socket.getaddrinfo

    def hang(host: str, *arguments: object, **named: object) -> object:
        if host == NAMED:
            asked.set()
            release.wait()
            raise socket.gaierror(socket.EAI_AGAIN, "Temporary failure in name resolution")
        return real(host, *arguments, **named)  # type: ignore[arg-type]

    patch.setattr(socket, "getaddrinfo", hang)
    try:
        yield Trouble(NAMED, 25, asked.is_set)
    finally:
        release.set()


@contextlib.contextmanager
def dripping_server(_: pytest.MonkeyPatch) -> Iterator[Trouble]:
    with RudeServer(lambda connection: "EHLO", drip_seconds=0.05) as server:
        yield Trouble("127.0.0.1", server.port, lambda: server.connections > 0)


@contextlib.contextmanager
def half_open_link(_: pytest.MonkeyPatch) -> Iterator[Trouble]:
    """The kernel takes the connection, and nobody ever says a word."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        yield Trouble("127.0.0.1", listener.getsockname()[1], lambda: True)


def slots(health: DeviceHealth) -> int:
    return health.polls + health.missed


def sending(record: Path) -> bool:
    with closing(RecordReader.open(record)) as reader:
        return any(one.state is MailState.SENDING for one in reader.outbox(Lane.MAIL, 0).mails)


async def missed_and_commits(health: DeviceHealth, said: list[str]) -> tuple[int, int]:
    """Polls missed, and commits made, while SLOTS polls were due."""
    due, missed, commits = slots(health), health.missed, len(said)
    await until(lambda: slots(health) >= due + SLOTS)
    return health.missed - missed, len(said) - commits


async def tell(service: Service) -> None:
    """Something for the keeper is put into the outbox."""
    recording = recording_of(service)
    now = recording.wall_ms()
    item = NewItem(Lane.MAIL, "anna", ItemKind.TEST, now, now)
    update = OutboxUpdate(items=(item,))
    await asyncio.get_running_loop().run_in_executor(service._writing, recording.update_outbox, update)
    recording.told()


@pytest.mark.parametrize("kind", [hung_resolver, dripping_server, half_open_link])
async def test_polls_and_commits_do_not_wait_for_mail(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    kind: Callable[[pytest.MonkeyPatch], contextlib.AbstractContextManager[Trouble]],
) -> None:
    said: list[str] = []
    async with QuickBank() as quick:
        with kind(monkeypatch) as trouble:
            security = "starttls" if trouble.host == NAMED else "none"
            mail = MAIL.format(host=trouble.host, port=trouble.port, security=security)
            shunt = device("shunt", "house", quick.port, (SHUNT, VOLTS), poll_seconds=POLL_SECONDS)
            path = write_site(tmp_path, bank("house"), shunt, mail, commit_seconds=COMMIT_SECONDS)
            async with running(settings_of(path), SystemClock(), said.append) as service:
                health = next(iter(service.lines)).health["shunt"]
                await until(lambda: health.scans > 5)
                calm, _ = await missed_and_commits(health, said)
                await tell(service)
                await until(lambda: trouble.stuck() and sending(tmp_path / "record.sqlite"))
                hurt, commits = await missed_and_commits(health, said)
                assert sending(tmp_path / "record.sqlite"), "the try is still under way"
                monkeypatch.undo()
            assert hurt <= calm + MORE_MISSED * SLOTS
            assert commits >= LEAST_COMMITS
