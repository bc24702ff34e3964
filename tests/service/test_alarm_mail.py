"""From a silent instrument to a mail in the keeper's box: the whole service, a real mail server on loopback."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from quick_site import SHUNT, VOLTS, bank, device, settings_of, write_site
from running_service import SettableClock, recording_of, running
from smtp_servers import Manners, serving
from until import until

from loggerd.model.outbox import ItemKind, Lane, NewItem, OutboxUpdate
from loggerd.settings.site import SiteSettings
from loggerd.store.record import RecordReader

MAIL = """
[mail]
server = "127.0.0.1"
port = {port}
security = "none"
from = "loggerd@hut.example"

[[keeper]]
name = "anna"
mail = "anna@home.example"
language = "{language}"

[heartbeat]
to = ["anna"]
"""


def site(folder: Path, port: int, language: str) -> SiteSettings:
    """One instrument, on a port where nobody answers."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        dead = free.getsockname()[1]
    shunt = device("shunt", "house", dead, (SHUNT, VOLTS), poll_seconds=10)
    return settings_of(
        write_site(folder, bank("house"), shunt, MAIL.format(port=port, language=language), commit_seconds=10)
    )


def run(settings: SiteSettings, speed: float, condition: Callable[[], bool], *kinds: ItemKind) -> None:
    """The service until the condition holds, with these items put into its outbox."""

    async def runs() -> None:
        async with running(settings, SettableClock(speed=speed)) as service:
            recording = recording_of(service)
            now = recording.wall_ms()
            for kind in kinds:
                item = NewItem(Lane.MAIL, "anna", kind, now, now)
                service._writing.submit(recording.update_outbox, OutboxUpdate(items=(item,))).result()
                recording.told()
            await until(condition)

    asyncio.run(runs())


@pytest.mark.parametrize(("language", "word"), [("en", "not answer"), ("de", "antwortet")])
def test_a_silent_instrument_reaches_the_keeper_once(tmp_path: Path, language: str, word: str) -> None:
    with serving(Manners()) as server:
        run(site(tmp_path, server.port, language), 300.0, lambda: bool(server.taken))
    (mail,) = server.taken
    assert mail.receivers == ["anna@home.example"]
    assert "shunt" in mail.text
    assert word in mail.text
    assert mail.parsed.get_body(("html",)) is not None


def test_what_waits_is_sent_when_the_server_is_back(tmp_path: Path) -> None:
    manners = Manners()
    with serving(manners):
        settings = site(tmp_path, manners.port, "en")

    def tried() -> bool:
        with closing(RecordReader.open(Path(settings.record.path))) as reader:
            return any(one.tries for one in reader.outbox(Lane.MAIL, 0).mails)

    run(settings, 300.0, tried)
    assert not manners.taken
    with serving(manners) as server:
        run(settings, 3000.0, lambda: bool(server.taken))
    (mail,) = manners.taken
    assert "shunt" in mail.text


@pytest.mark.parametrize("kind", [ItemKind.HEARTBEAT, ItemKind.DIGEST, ItemKind.TEST])
def test_signs_of_life_and_digests_are_composed_from_the_record(tmp_path: Path, kind: ItemKind) -> None:
    with serving(Manners()) as server:
        run(site(tmp_path, server.port, "en"), 1.0, lambda: bool(server.taken), kind)
    assert "Quick" in server.taken[0].text
