"""Newest readings: what of the record is newest, how it is told to all who listen, and what the script makes of it."""

from __future__ import annotations

import asyncio
import json
import re
import shutil
import socket
import threading
import time
from collections.abc import AsyncGenerator, Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect, sync_playwright
from shown_bank import Shape, ShownSite, counts
from starlette.types import Message
from until import until
from web_client import LetIn

from loggerd.live_values import LiveReader, LiveValues
from loggerd.model.access import Role, SignedIn
from loggerd.model.channels import MISSING
from loggerd.model.ledger import PhaseKind
from loggerd.model.scan import Scan
from loggerd.outputs.web import bank_page, live, overview, streaming
from loggerd.outputs.web.application import Application
from loggerd.outputs.web.server import PagesServer
from loggerd.outputs.web.streaming import StreamAsk
from loggerd.store.record import RecordReader

KEEPER = SignedIn("anna", Role.KEEPER)


def newest(site: ShownSite, bank: str = "house") -> LiveValues:
    record = RecordReader.open(site.path)
    try:
        return LiveReader(site.settings, bank).read(record)
    finally:
        record.close()


# -- what is newest ---------------------------------------------------------------------------------------------------


def test_the_newest_reading_of_each_channel_in_its_unit_and_time(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).read(amps=-1.5, celsius=21.25)
    found = newest(site)
    values = {name: (one.value, one.at_ms) for name, one in found.by_name.items()}
    now = site.clock.wall_ms()
    assert values["amps"] == (-1.5, now)
    assert values["volts"] == (25.2, now)
    assert values["block_4_volts"] == (6.3, now)
    assert values["block_1_celsius"] == (21.25, now)
    assert found.last_ms == now


def test_a_channel_without_a_value_lately_keeps_its_last_one(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).read(minutes=2)
    before = site.clock.wall_ms()
    recording = site.open()
    site.clock.pass_by(60_000)
    row = list(counts(site.shapes[0], amps=2.0))
    row[1] = MISSING
    recording.scan(Scan(site.shapes[0].device, tuple(row)))
    recording.commit()
    recording.close()
    found = newest(site).by_name
    assert (found["volts"].value, found["volts"].at_ms) == (25.2, before)
    assert (found["amps"].value, found["amps"].at_ms) == (2.0, site.clock.wall_ms())


@pytest.mark.parametrize(
    ("amps", "phase"), [(3.0, PhaseKind.CHARGE), (0.05, PhaseKind.REST), (-3.0, PhaseKind.DISCHARGE)]
)
def test_what_it_does_goes_by_sign_and_zero_band(tmp_path: Path, amps: float, phase: PhaseKind) -> None:
    """The sensor may be wrong by 0.1 A at zero: 0.05 A is no charge."""
    assert newest(ShownSite.of(tmp_path).read(amps=amps)).phase is phase


def test_without_a_reading_nothing_is_known_and_all_is_late(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).begin()
    found = newest(site)
    assert found.last_ms is None
    assert found.phase is None
    assert found.silent(site.clock.wall_ms())
    assert len(found.values) == 7


def test_a_reading_is_late_when_three_have_not_come(tmp_path: Path) -> None:
    """Read every minute, stored every ten seconds."""
    site = ShownSite.of(tmp_path).read()
    found, now = newest(site), site.clock.wall_ms()
    assert not found.silent(now + 180_000)
    assert found.silent(now + 240_000)


def test_a_value_outside_its_valid_range_is_marked(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).read(amps=250.0)
    assert newest(site).by_name["amps"].doubted
    assert not newest(site).by_name["volts"].doubted


def test_a_bank_that_went_silent_while_another_goes_on_is_late(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path, Shape("house"), Shape("barn")).read()
    recording = site.open()
    for _ in range(200):
        site.clock.pass_by(60_000)
        recording.scan(Scan("meter of barn", counts(site.shapes[1])))
        recording.commit()
    recording.close()
    assert newest(site, "house").silent(site.clock.wall_ms())
    assert not newest(site, "barn").silent(site.clock.wall_ms())


def test_after_a_restart_the_new_session_counts(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).read(amps=1.0)
    site.read(amps=4.0, minutes=1)
    assert newest(site).by_name["amps"].value == 4.0


# -- the stream -------------------------------------------------------------------------------------------------------


@pytest.fixture(name="quick")
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "LOOK_SECONDS", 0.02)


def asked(site: ShownSite, stopping: asyncio.Event, bank: str = "house", who: SignedIn = KEEPER) -> StreamAsk:
    return StreamAsk(site.settings, site.clock, who, {"bank": bank}, {}, stopping)


def body(event: str) -> dict[str, Any]:
    """The data of an event. Its form is that of the HTML Living Standard, section 9.2."""
    lines = event.removesuffix("\n\n").split("\n")
    fields = dict(line.split(": ", 1) for line in lines)
    assert set(fields) == {"id", "data"}
    told: dict[str, Any] = json.loads(fields["data"])
    return told


async def data(events: AsyncGenerator[str, None]) -> dict[str, Any]:
    """The next event with data."""
    async with asyncio.timeout(20):
        while True:
            one = await anext(events)
            if one.startswith("id: "):
                return body(one)


def run(what: Callable[[], Any]) -> None:
    asyncio.run(what())


@pytest.mark.usefixtures("quick")
def test_what_is_stored_is_sent_in_the_persons_words(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).read(low=2)

    async def listen() -> None:
        german = SignedIn("dieter", Role.READER, language="de", fahrenheit=True)
        stopping = asyncio.Event()
        events = live.live(asked(site, stopping, who=german))
        assert await anext(events) == "retry: 5000\n\n"
        first = await data(events)
        assert first["now"] == site.clock.wall_ms()
        assert first["state"] == "Charging"
        assert first["values"]["volts"][:2] == ["25,20 V", site.clock.wall_ms()]
        assert first["values"]["blocks_celsius"][0] == "68,0 °F"
        assert first["boxes"]["2"] == ["6,00 V", "-100", -100.0]
        await asyncio.to_thread(site.read, -2.5)
        second = await data(events)
        assert second["state"] == "Discharging"
        assert second["values"]["amps"][0] == "-2,5 A"
        stopping.set()
        assert [one async for one in events] == []

    run(listen)


def test_who_leaves_in_the_middle_of_a_look_does_not_close_the_record_under_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite ends the process when a connection is closed while another thread reads by it."""
    site = ShownSite.of(tmp_path).read()
    looking, go_on = threading.Event(), threading.Event()
    order: list[str] = []
    read, close = LiveReader.read, RecordReader.close

    def slow(self: LiveReader, record: RecordReader) -> LiveValues:
        looking.set()
        assert go_on.wait(20)
        found = read(self, record)
        order.append("read")
        return found

    def noted(self: RecordReader) -> None:
        order.append("closed")
        close(self)

    async def listen() -> None:
        monkeypatch.setattr(LiveReader, "read", slow)
        monkeypatch.setattr(RecordReader, "close", noted)
        feed = live.feed_of(asked(site, asyncio.Event()), "house")
        feed.join()
        assert await asyncio.to_thread(looking.wait, 20)
        feed.leave()
        await asyncio.sleep(0.1)
        assert order == []
        go_on.set()
        await until(lambda: len(order) == 2)
        assert order == ["read", "closed"]

    run(listen)


@pytest.mark.usefixtures("quick")
def test_one_look_serves_all_and_none_is_taken_while_nothing_changes(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).read()

    async def listen() -> None:
        stopping = asyncio.Event()
        many = [live.live(asked(site, stopping)) for _ in range(4)]
        for one in many:
            await data(one)
        feed = live.feed_of(asked(site, stopping), "house")
        assert (feed.listeners, feed.looks) == (4, 1)
        await asyncio.sleep(0.3)
        assert feed.looks == 1
        await asyncio.to_thread(site.read, 2.0)
        for one in many:
            assert (await data(one))["values"]["amps"][0] == "2.0 A"
        reads = feed.looks
        assert reads <= 1 + 8, "a commit, and what a start stores"
        for one in many:
            await one.aclose()
        assert feed.listeners == 0
        await asyncio.to_thread(site.read, 3.0)
        await asyncio.sleep(0.3)
        assert feed.looks == reads, "nobody listens, nothing is read"

    run(listen)


def test_a_comment_keeps_the_line_open(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "COMMENT_SECONDS", 0.05)
    site = ShownSite.of(tmp_path).read()

    async def listen() -> None:
        events = live.live(asked(site, asyncio.Event()))
        await data(events)
        async with asyncio.timeout(20):
            assert (await anext(events)).startswith(": ")
            assert (await anext(events)).endswith("\n\n")
        await events.aclose()

    run(listen)


def test_who_is_signed_out_is_told_to_stay_away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "AGAIN_SECONDS", 0.05)
    site = ShownSite.of(tmp_path).read()
    signed_in = [True, True, False]

    async def listen() -> None:
        ask = StreamAsk(
            site.settings, site.clock, KEEPER, {"bank": "house"}, {}, asyncio.Event(), lambda: signed_in.pop(0)
        )
        async with asyncio.timeout(20):
            told = [one async for one in live.live(ask)]
        assert told[-1].startswith("event: gone\n")
        assert signed_in == []

    run(listen)


def test_of_a_bank_that_does_not_exist_nothing_comes(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).begin()

    async def listen() -> None:
        told = [one async for one in live.live(asked(site, asyncio.Event(), "barn"))]
        assert told == ["event: gone\ndata: {}\n\n"]

    run(listen)


@pytest.mark.usefixtures("quick")
def test_a_record_that_is_not_there_yet_is_looked_for_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(live, "_AFTER_FAULT_SECONDS", 0.05)
    site = ShownSite.of(tmp_path)

    async def listen() -> None:
        events = live.live(asked(site, asyncio.Event()))
        assert await anext(events) == "retry: 5000\n\n"
        waiting = asyncio.create_task(data(events))
        await asyncio.sleep(0.2)
        assert not waiting.done()
        await asyncio.to_thread(site.read)
        assert (await waiting)["values"]["volts"][0] in ("25.20 V", "-")
        await events.aclose()

    run(listen)
    told = [one.getMessage() for one in caplog.records if "newest readings" in one.getMessage()]
    assert len([one for one in told if "there is no record here" in one]) == 1, "said once, not at each look"


@pytest.mark.usefixtures("quick")
def test_a_fault_of_the_program_ends_the_stream_and_is_not_hidden(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = ShownSite.of(tmp_path).read()
    monkeypatch.setattr(live, "COMMENT_SECONDS", 0.05)

    def broken(self: LiveReader, record: RecordReader) -> LiveValues:
        raise ZeroDivisionError

    async def listen() -> None:
        monkeypatch.setattr(LiveReader, "read", broken)
        with pytest.raises(ZeroDivisionError):
            async with asyncio.timeout(20):
                async for _ in live.live(asked(site, asyncio.Event())):
                    pass

    run(listen)


def test_who_takes_nothing_is_let_go_and_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(streaming, "SLOWEST_SECONDS", 0.1)
    site = ShownSite.of(tmp_path).read()

    async def listen() -> None:
        application = Application(site.settings, site.clock, LetIn(KEEPER), (), live.STREAMS)
        app = application.asgi()
        sent: list[Message] = []

        async def receive() -> Message:
            await asyncio.Event().wait()
            raise AssertionError

        async def send(message: Message) -> None:
            sent.append(message)
            if message["type"] == "http.response.body":
                await asyncio.Event().wait()

        scope = {"type": "http", "method": "GET", "path": "/live/house", "query_string": b"", "root_path": "",
                 "headers": [(b"host", b"localhost")], "asgi": {"spec_version": "2.3"}}  # fmt: skip
        async with asyncio.timeout(20):
            await app(scope, receive, send)
        assert [one["type"] for one in sent] == ["http.response.start", "http.response.body"]
        assert dict(sent[0]["headers"])[b"content-type"].startswith(b"text/event-stream")
        assert application.streaming.open == 0

    run(listen)


@pytest.mark.usefixtures("quick")
def test_a_record_that_another_takes_the_place_of_is_opened_anew(tmp_path: Path) -> None:
    """As when a copy is put back while somebody watches."""
    site = ShownSite.of(tmp_path).read(amps=1.0)
    copy = tmp_path / "copy.sqlite"
    shutil.copy(site.path, copy)

    async def listen() -> None:
        stopping = asyncio.Event()
        events = live.live(asked(site, stopping))
        assert (await data(events))["values"]["amps"][0] == "1.0 A"
        copy.replace(site.path)
        for ending in ("-wal", "-shm"):
            site.path.with_name(site.path.name + ending).unlink(missing_ok=True)
        await asyncio.to_thread(site.read, 7.0)
        assert (await data(events))["values"]["amps"][0] == "7.0 A"
        stopping.set()
        await events.aclose()

    run(listen)


# -- the script -------------------------------------------------------------------------------------------------------


def answers(port: int) -> bool:
    with socket.socket() as one:
        return one.connect_ex(("127.0.0.1", port)) == 0


@contextmanager
def served(site: ShownSite, port: int = 0) -> Iterator[int]:
    """The pages of the site, from a thread; the port where they are."""
    web = site.settings.web.model_copy(update={"port": port})
    settings = site.settings.model_copy(update={"web": web})
    routes = (*overview.ROUTES, *bank_page.ROUTES)
    server = PagesServer(Application(settings, site.clock, LetIn(KEEPER), routes, live.STREAMS))
    where = server.listen()
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=lambda: loop.run_until_complete(server.serve()))
    thread.start()
    try:
        while not answers(where):
            time.sleep(0.01)
        yield where
    finally:
        loop.call_soon_threadsafe(server.stop)
        thread.join(30)
        loop.close()


@pytest.mark.usefixtures("quick")
def test_the_script_puts_in_what_comes_and_says_when_the_logger_is_gone(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).read()
    chromium = shutil.which("chromium")
    assert chromium is not None, "apt-get install chromium"
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page()
        page.set_default_timeout(30_000)
        expect.set_options(timeout=30_000)
        faults: list[str] = []
        page.on("pageerror", lambda error: faults.append(str(error)))
        current, note = page.locator('[data-live="amps"]'), page.locator(".no-stream")
        with served(site) as port:
            page.goto(f"http://127.0.0.1:{port}/")
            assert current.inner_text() == "1.0 A"
            site.read(amps=-3.0, low=2)
            expect(current).to_have_text("-3.0 A")
            assert page.locator("[data-state]").inner_text() == "Discharging"
            assert page.locator('[data-block="2"] .apart').inner_text() == "-100"
            assert page.locator('[data-block="2"] rect').get_attribute("width") == "28"
            expect(page.locator(".age").first).to_have_text(re.compile(r"^[1-9] s ago$"))
            assert not note.is_visible()
        note.wait_for(state="visible")
        assert "No connection to the logger since" in note.inner_text()
        with served(site, port):
            note.wait_for(state="hidden")
            # What is sent when the stream opens makes all ages new: only after it is nothing more heard.
            site.read(amps=-4.0, low=2)
            expect(current).to_have_text("-4.0 A")
            page.evaluate("for (const one of document.querySelectorAll('.age')) one.dataset.late = '0'")
            expect(page.locator("[data-state]")).to_have_text(re.compile("^Not heard since Mon 21 Sep 2026"))
            expect(page.locator(".age").first).to_have_text(re.compile("^not heard since Mon 21 Sep 2026"))
        assert faults == []
        browser.close()
