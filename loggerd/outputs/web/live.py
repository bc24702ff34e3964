"""Newest readings as they come: server-sent events. One look at the record serves all who watch the same bank."""

from __future__ import annotations

import asyncio
import json
import logging
import threading
from collections.abc import AsyncGenerator
from pathlib import Path
from weakref import WeakKeyDictionary

from anyio import to_thread

from loggerd.errors import StoreError
from loggerd.live_values import LiveReader, LiveValues
from loggerd.model.access import Need
from loggerd.outputs.web.application import reader_for
from loggerd.outputs.web.live_texts import live_event
from loggerd.outputs.web.streaming import Stream, StreamAsk
from loggerd.plans import bank_named
from loggerd.settings.site import SiteSettings
from loggerd.store.record import RecordReader

_log = logging.getLogger("loggerd")

LOOK_SECONDS = 1.0
"""Between two looks whether the record has changed: no listener gets more than one event in this time."""
COMMENT_SECONDS = 15.0
AGAIN_SECONDS = 30.0
_AFTER_FAULT_SECONDS = 5.0
_RETRY_MS = 5000
_GONE = "event: gone\ndata: {}\n\n"
"""Tells the script not to come back: the bank does not exist, or nobody is signed in any more."""


class _Look:
    """Looks at the record of one bank, by threads of one task. A task that is cancelled does not wait for its thread:
    the record is then closed by whichever of both is done last, never under a look."""

    def __init__(self, settings: SiteSettings, bank: str) -> None:
        self._path = Path(settings.record.path)
        self._reader = LiveReader(settings, bank)
        self._record: RecordReader | None = None
        self._file: tuple[int, int] | None = None
        self._seen = -1
        self._looking = threading.Lock()
        self._ended = False

    def __call__(self) -> LiveValues | None:
        """The newest readings, if anything was stored since the look before. Raises StoreError."""
        try:
            with self._looking:
                return None if self._ended else self._look()
        finally:
            if self._ended:
                self.end()

    def end(self) -> None:
        """No further look; close the record, if none is under way: that one will."""
        self._ended = True
        if self._looking.acquire(blocking=False):
            try:
                self.close()
            finally:
                self._looking.release()

    def _look(self) -> LiveValues | None:
        if self._file != (file := _identity(self._path)):
            # Another file in its place, as after a copy was put back: the one that is open tells nothing any more.
            self.close()
        if self._record is None:
            self._record, self._file = RecordReader.open(self._path), file
        now = self._record.changes()
        if now == self._seen:
            return None
        found = self._reader.read(self._record)
        self._seen = now
        return found

    def close(self) -> None:
        self._seen = -1
        if self._record is not None:
            self._record.close()
            self._record = None


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        about = path.stat()
    except OSError:
        return None
    return about.st_dev, about.st_ino


class Feed:
    """The newest readings of one bank for all who listen, read once for all of them, and only while somebody does.

    Listeners take the newest state when they are ready for one: whoever is slow misses what lay between, and nothing
    is kept for them. `number` rises with each state; `changed` is set when there is another one, and is then replaced.
    """

    def __init__(self, settings: SiteSettings, bank: str) -> None:
        self.newest: LiveValues | None = None
        self.number = 0
        self.changed = asyncio.Event()
        self.listeners = 0
        self.looks = 0
        self._settings, self._bank = settings, bank
        self._task: asyncio.Task[None] | None = None

    def join(self) -> None:
        self.listeners += 1
        if self._task is None or self._task.done():
            self._task = asyncio.create_task(self._follow())

    def leave(self) -> None:
        self.listeners -= 1
        if self.listeners == 0 and self._task is not None:
            self._task.cancel()
            self._task = None

    def check(self) -> None:
        """Raises what ended the reading, if anything has."""
        if self._task is not None and self._task.done():
            self._task.result()

    async def _follow(self) -> None:
        look = _Look(self._settings, self._bank)
        fault = ""
        try:
            while True:
                try:
                    found = await to_thread.run_sync(look)
                except StoreError as error:
                    if str(error) != fault:
                        _log.warning("newest readings of bank %s cannot be shown: %s", self._bank, error)
                    fault = str(error)
                    look.close()
                    await asyncio.sleep(_AFTER_FAULT_SECONDS)
                    continue
                fault = ""
                if found is not None:
                    self._tell(found)
                await asyncio.sleep(LOOK_SECONDS)
        finally:
            look.end()

    def _tell(self, found: LiveValues) -> None:
        self.looks += 1
        if found == self.newest:
            return
        self.newest = found
        self.number += 1
        self.changed.set()
        self.changed = asyncio.Event()


_FEEDS: WeakKeyDictionary[asyncio.Event, dict[str, Feed]] = WeakKeyDictionary()
"""Of each application, known by the event that ends it; by bank."""


def feed_of(ask: StreamAsk, bank: str) -> Feed:
    """The one feed of that bank."""
    feeds = _FEEDS.setdefault(ask.stopping, {})
    if bank not in feeds:
        feeds[bank] = Feed(ask.site, bank)
    return feeds[bank]


async def live(ask: StreamAsk) -> AsyncGenerator[str, None]:
    """The newest readings of a bank, until the listener goes, is signed out, or the server stops."""
    name = ask.path["bank"]
    if name not in {one.name for one in ask.site.banks}:
        yield _GONE
        return
    bank, _ = bank_named(ask.site, name)
    reader = reader_for(ask.who, ask.site)
    feed = feed_of(ask, name)
    feed.join()
    try:
        yield f"retry: {_RETRY_MS}\n\n"
        told, clock = -1, asyncio.get_running_loop().time
        spoke = asked = clock()
        while not ask.stopping.is_set():
            feed.check()
            changed = feed.changed
            if feed.newest is not None and feed.number != told:
                told, spoke = feed.number, clock()
                event = live_event(feed.newest, bank, reader, ask.clock.wall_ms())
                yield f"id: {told}\ndata: {json.dumps(event, ensure_ascii=False, separators=(',', ':'))}\n\n"
            elif clock() - spoke >= COMMENT_SECONDS:
                spoke = clock()
                yield ": nothing new\n\n"
            if clock() - asked >= AGAIN_SECONDS:
                asked = clock()
                if not await to_thread.run_sync(ask.again):
                    yield _GONE
                    return
            left = min(spoke + COMMENT_SECONDS, asked + AGAIN_SECONDS) - clock()
            if feed.number == told or feed.newest is None:
                await _first_of(ask.stopping, changed, max(0.0, left))
    finally:
        feed.leave()


async def _first_of(stopping: asyncio.Event, changed: asyncio.Event, seconds: float) -> None:
    """Wait for one of them, or that long."""
    waiting = [asyncio.create_task(one.wait()) for one in (stopping, changed)]
    try:
        await asyncio.wait(waiting, timeout=seconds, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for one in waiting:
            one.cancel()


STREAMS = (Stream("/live/{bank}", live, Need.READER),)
