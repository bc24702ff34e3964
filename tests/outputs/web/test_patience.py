"""Whoever is slow, or does nothing: connections and streams that would keep others out, on real sockets."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from quick_site import bank, settings_of, write_site
from seeded_site import END_MS
from until import until
from web_client import LetIn
from web_doors import Doors

from loggerd.clock import AcceleratedClock
from loggerd.model.access import Need
from loggerd.outputs.web import application as application_module
from loggerd.outputs.web import live, patience, streaming
from loggerd.outputs.web.application import Application
from loggerd.outputs.web.asking import Ask, Route
from loggerd.outputs.web.gate import Gate
from loggerd.outputs.web.server import PagesServer
from loggerd.settings.web import WebSettings

LARGE = 3_000_000


def _address(ask: Ask) -> Any:
    return ask.json(ask.address)


def _large(ask: Ask) -> Any:
    return ask.json("a" * LARGE)


ROUTES = (
    Route("/address", _address, Need.NOTHING, without_record=True),
    Route("/large", _large, Need.NOTHING, without_record=True),
    Route("/tell", _address, Need.NOTHING, "POST", without_record=True),
)
ASK = b"GET /address HTTP/1.1\r\nHost: localhost\r\n\r\n"
TELL = (
    b"POST /tell HTTP/1.1\r\nHost: localhost\r\nOrigin: http://localhost\r\nContent-Length: 1000\r\n"
    b"Content-Type: application/x-www-form-urlencoded\r\n\r\nname=a"
)


@asynccontextmanager
async def served(folder: Path, listen: str = "127.0.0.1", gate: Gate | None = None) -> AsyncIterator[Any]:
    """Pages of a site without a record: how many connections they hold, a way to connect, and the application."""
    settings = settings_of(write_site(folder, bank("house")))
    settings = settings.model_copy(update={"web": WebSettings(port=0, listen=listen)})
    application = Application(settings, AcceleratedClock(END_MS, 1), gate or LetIn(), ROUTES, live.STREAMS)
    server = PagesServer(application)
    port = server.listen()
    running = asyncio.create_task(server.serve())
    await until(lambda: server._server is not None and server._server.started)

    made: list[asyncio.StreamWriter] = []

    class Served:
        streaming = application.streaming

        @staticmethod
        def connections() -> int:
            assert server._server is not None
            return len(server._server.server_state.connections)

        @staticmethod
        async def connect(
            sent: bytes = b"", source: str | None = None, buffer: int = 0
        ) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
            line = socket.socket(socket.AF_INET6 if ":" in listen else socket.AF_INET)
            line.setblocking(False)
            if buffer:
                line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, buffer)
            if source is not None:
                line.bind((source, 0))
            await asyncio.get_running_loop().sock_connect(line, (listen, port))
            reader, writer = await asyncio.open_connection(sock=line, limit=4096)
            made.append(writer)
            writer.write(sent)
            await writer.drain()
            return reader, writer

    try:
        yield Served
    finally:
        for one in made:
            one.close()
            with contextlib.suppress(ConnectionError):
                await one.wait_closed()
        server.stop()
        await running


async def rest(reader: asyncio.StreamReader) -> bytes:
    """What comes until the server ends the connection."""
    parts = []
    with contextlib.suppress(ConnectionError):
        while part := await reader.read(65_536):
            parts.append(part)
    return b"".join(parts)


def run(what: Callable[[], Coroutine[Any, Any, None]]) -> None:
    async def within_time() -> None:
        async with asyncio.timeout(60):
            await what()

    asyncio.run(within_time())


@pytest.fixture
def hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    for name, seconds in (("REQUEST_SECONDS", 0.3), ("STUCK_SECONDS", 0.5), ("LOOK_SECONDS", 0.02)):
        monkeypatch.setattr(patience, name, seconds)


@pytest.mark.usefixtures("hasty")
@pytest.mark.parametrize("sent", [b"", b"GET /address HTTP/1.1\r\nHost: localhost\r\nX: "])
def test_who_connects_and_asks_nothing_keeps_nobody_out(tmp_path: Path, sent: bytes) -> None:
    async def knock() -> None:
        async with served(tmp_path) as pages:
            for _ in range(110):
                await pages.connect(sent)
            await until(lambda: pages.connections() == 0)
            reader, _ = await pages.connect(ASK)
            assert (await reader.readline()).split()[1] == b"200"

    run(knock)


@pytest.mark.usefixtures("hasty")
def test_a_letter_after_an_answer_does_not_keep_the_connection(tmp_path: Path) -> None:
    async def knock() -> None:
        async with served(tmp_path) as pages:
            reader, writer = await pages.connect(ASK)
            assert b"200" in await reader.readline()
            writer.write(b"G")
            assert b'"127.0.0.1"' in await rest(reader)

    run(knock)


def test_a_form_that_does_not_come_to_its_end_is_not_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(application_module, "BODY_SECONDS", 0.2)

    async def knock() -> None:
        async with served(tmp_path) as pages:
            reader, _ = await pages.connect(TELL)
            assert (await rest(reader)).startswith(b"HTTP/1.1 408 ")

    run(knock)


def test_who_goes_in_the_middle_of_a_form_is_no_fault_of_the_program(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    async def knock() -> None:
        async with served(tmp_path) as pages:
            _, writer = await pages.connect(TELL)
            await until(lambda: pages.connections() == 1)
            await asyncio.sleep(0.1)
            writer.close()
            await until(lambda: pages.connections() == 0)
            reader, _ = await pages.connect(ASK)
            assert b"200" in await reader.readline()

    run(knock)
    assert [one.message for one in caplog.records if one.levelno >= logging.WARNING] == []


def test_what_is_no_http_is_not_written_into_the_log(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    async def knock() -> None:
        async with served(tmp_path) as pages:
            reader, _ = await pages.connect(b"\x16\x03\x01 nonsense\r\n\r\n")
            assert b"400" in await reader.readline()

    run(knock)
    assert [one.message for one in caplog.records if one.levelno >= logging.WARNING] == []


@pytest.mark.usefixtures("hasty")
def test_who_takes_nothing_of_an_answer_is_let_go(tmp_path: Path) -> None:
    async def knock() -> None:
        async with served(tmp_path) as pages:
            ask = ASK.replace(b"address", b"large")
            reader, writer = await pages.connect(ask * 4, buffer=4096)
            writer.transport.pause_reading()
            await until(lambda: pages.connections() == 1)
            await until(lambda: pages.connections() == 0)
            writer.transport.resume_reading()
            assert len(await rest(reader)) < 4 * LARGE

    run(knock)


@pytest.mark.usefixtures("hasty")
def test_who_takes_an_answer_slowly_gets_it_whole(tmp_path: Path) -> None:
    """Longer than somebody who takes nothing is waited for."""

    async def knock() -> None:
        async with served(tmp_path) as pages:
            ask = ASK.replace(b"address", b"large").replace(b"\r\n\r\n", b"\r\nConnection: close\r\n\r\n")
            reader, _ = await pages.connect(ask, buffer=4096)
            got = 0
            while part := await reader.read(65_536):
                got += len(part)
                await asyncio.sleep(0.004)
            assert got > LARGE

    run(knock)


def test_one_address_cannot_take_all_connections(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(patience, "MOST_OF_ONE", 3)

    async def knock() -> None:
        async with served(tmp_path) as pages:
            held = [await pages.connect(source="127.0.0.2") for _ in range(3)]
            await until(lambda: pages.connections() == 3)
            reader, _ = await pages.connect(source="127.0.0.2")
            assert await rest(reader) == b""
            others = [await pages.connect(ASK) for _ in range(5)]
            assert [(await one.readline()).split()[1] for one, _ in others] == [b"200"] * 5, "as from a proxy"
            held[0][1].write(ASK)
            assert b"200" in await held[0][0].readline()

    run(knock)


@pytest.mark.parametrize("listen", ["127.0.0.1", "::1"])
def test_a_proxy_on_this_machine_says_who_asks(tmp_path: Path, listen: str) -> None:
    async def knock() -> None:
        async with served(tmp_path, listen) as pages:
            marks = b"\r\nX-Forwarded-For: 198.51.100.1, 203.0.113.9\r\nConnection: close\r\n\r\n"
            reader, _ = await pages.connect(ASK.replace(b"\r\n\r\n", marks))
            assert (await rest(reader)).endswith(b'"203.0.113.9"')

    run(knock)


def test_streams_of_one_person_leave_room_for_others(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One more ends the oldest, in order; it may be of a telephone that has lost its network."""
    monkeypatch.setattr(streaming, "MOST_OF_ONE", 3)
    monkeypatch.setattr(streaming, "MOST_STREAMS", 4)

    async def knock() -> None:
        async with served(tmp_path, gate=Doors()) as pages:

            def watch(name: bytes) -> Any:
                return pages.connect(
                    b"GET /live/house HTTP/1.1\r\nHost: localhost\r\nCookie: session=" + name + b"\r\n\r\n"
                )

            mine = []
            for _ in range(6):
                mine.append(await watch(b"ben"))
                await mine[-1][0].readuntil(b"retry: ")
            for reader, _ in mine[:3]:
                assert (await reader.readuntil(b"\r\n0\r\n\r\n")).startswith(b"5000"), "ended, and said to be"
            assert pages.streaming.open == 3
            other, _ = await watch(b"anna")
            await other.readuntil(b"retry: ")
            assert pages.streaming.open == 4

    run(knock)


def test_streams_that_begin_at_once_are_no_more_than_there_is_room_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(streaming, "MOST_STREAMS", 4)

    async def knock() -> None:
        async with served(tmp_path, gate=Doors()) as pages:
            asks = [
                b"GET /live/house HTTP/1.1\r\nHost: localhost\r\nCookie: session=" + name + b"\r\n\r\n"
                for name in (b"ben", b"anna") * 6
            ]
            made = await asyncio.gather(*(pages.connect(one) for one in asks))
            lines = await asyncio.gather(*(reader.readline() for reader, _ in made))
            assert sorted(one.split()[1] for one in lines) == [b"200"] * 4 + [b"503"] * 8

    run(knock)
