"""The newest readings: chunks of reserved room that each commit writes on in place, until their hour is sealed.

A commit that inserts a row takes new pages, and with them writes the file's head, its list of free pages and the
tree above the row: five pages where the readings of a large site fill less than one. Writing on in a value that has
its room already touches the pages of the readings alone.

A chunk belongs to a session and an hour. In it the commits stand one after another, each with a head of its own and
a check sum; zeroes follow the last. What lies between two whole commits is damage, and is told as such.
"""

from __future__ import annotations

import sqlite3
import struct
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from loggerd.errors import StoreError
from loggerd.store.shapes import HOUR_MS

_HEAD = struct.Struct("<IqqI")
_TAG = struct.Struct("<qqIqq")
_LEAST_ROOM, _MOST_ROOM = 16_384, 65_536
"""Bytes of a chunk: as much again as its hour has already, within these bounds. A page that cannot be read may cost
the rest of its chunk."""


@dataclass(frozen=True)
class HotCommit:
    """Readings of one commit within one hour. `payload` is empty for damage; its form is in bundle.py."""

    session: int
    window: int
    first_mono_ms: int
    last_mono_ms: int
    payload: bytes

    @property
    def tag(self) -> tuple[int, int, int]:
        """What the payload says it is."""
        return self.session, self.window, self.first_mono_ms


@dataclass
class _Place:
    """Where the next commit of an hour goes, and the first instants of those that the hour has."""

    session: int
    window: int
    chunk: int
    used: int
    room: int
    firsts: set[int]


class HotWriter:
    """Writes commits into chunks. Called inside a transaction."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._place: _Place | None = None

    def forget_place(self) -> None:
        """To be called when a transaction was undone: the place is looked up again."""
        self._place = None

    def append(self, commits: Sequence[HotCommit]) -> None:
        """Raises StoreError when a commit of the same hour begins at the same instant."""
        for commit in commits:
            data = _head(commit) + commit.payload
            place = self._find(commit, len(data))
            with self._connection.blobopen("hot", "payload", place.chunk) as chunk:
                chunk.seek(place.used)
                chunk.write(data)
            place.used += len(data)
            place.firsts.add(commit.first_mono_ms)

    def delete(self, session: int, window: int) -> None:
        """Takes an hour out."""
        self._connection.execute("DELETE FROM hot WHERE session = ? AND window = ?", (session, window))
        if self._place is not None and (self._place.session, self._place.window) == (session, window):
            self._place = None

    def _find(self, commit: HotCommit, size: int) -> _Place:
        place = self._place
        if place is None or (place.session, place.window) != (commit.session, commit.window):
            place = self._look_up(commit.session, commit.window)
        if commit.first_mono_ms in place.firsts:
            raise StoreError(f"readings from {commit.first_mono_ms} ms of session {commit.session} are stored already")
        if place.used + size > place.room:
            place = self._reserve(commit, size, place.firsts)
        self._place = place
        return place

    def _look_up(self, session: int, window: int) -> _Place:
        firsts = {commit.first_mono_ms for commit in hot_commits(self._connection, session, window) if commit.payload}
        row = self._connection.execute(
            "SELECT id, payload FROM hot WHERE session = ? AND window = ? ORDER BY id DESC LIMIT 1", (session, window)
        ).fetchone()
        if row is None:
            return _Place(session, window, 0, 0, 0, firsts)
        used = 0
        for commit in commits_in(session, window, row[1]):
            if not commit.payload:
                return _Place(session, window, row[0], 0, 0, firsts)  # behind damage nothing is written
            used += _HEAD.size + len(commit.payload)
        return _Place(session, window, row[0], used, len(row[1]), firsts)

    def _reserve(self, commit: HotCommit, size: int, firsts: set[int]) -> _Place:
        hour = self._connection.execute(
            "SELECT coalesce(sum(length(payload)), 0) FROM hot WHERE session = ? AND window = ?",
            (commit.session, commit.window),
        ).fetchone()[0]
        room = max(size, min(max(hour, _LEAST_ROOM), _MOST_ROOM))
        row = self._connection.execute(
            "INSERT INTO hot (session, window, payload) VALUES (?, ?, zeroblob(?)) RETURNING id",
            (commit.session, commit.window, room),
        ).fetchone()
        return _Place(commit.session, commit.window, int(row[0]), 0, room, firsts)


def hot_sessions(connection: sqlite3.Connection) -> list[int]:
    """Sessions with hot readings, in rising order."""
    return [int(row[0]) for row in connection.execute("SELECT DISTINCT session FROM hot ORDER BY session")]


def hot_windows(connection: sqlite3.Connection, session: int) -> list[int]:
    """Hours of a session with hot readings, in rising order; no readings are looked at."""
    rows = connection.execute("SELECT DISTINCT window FROM hot WHERE session = ? ORDER BY window", (session,))
    return [int(row[0]) for row in rows]


def hot_commits(connection: sqlite3.Connection, session: int, window: int) -> Iterator[HotCommit]:
    """The commits of an hour in the order in which they were stored, damage among them."""
    for (chunk,) in connection.execute(
        "SELECT payload FROM hot WHERE session = ? AND window = ? ORDER BY id", (session, window)
    ):
        yield from commits_in(session, window, chunk)


def commits_in(session: int, window: int, chunk: bytes) -> Iterator[HotCommit]:
    """The commits of one chunk."""
    at, last = 0, window * HOUR_MS
    while True:
        found = _commit_at(session, window, chunk, at)
        if found is None:
            start = at
            at, found = _next_whole(session, window, chunk, start)
            if at > start:
                until = last if found is None else max(last, found.first_mono_ms - 1)
                yield HotCommit(session, window, last, until, b"")
        if found is None:
            return
        yield found
        at += _HEAD.size + len(found.payload)
        last = found.last_mono_ms


def _next_whole(session: int, window: int, chunk: bytes, start: int) -> tuple[int, HotCommit | None]:
    """The next whole commit and where it is; where what is not zero ends when there is none (`start` when all is)."""
    end = len(chunk.rstrip(b"\0"))
    for at in range(start + 1, end):
        found = _commit_at(session, window, chunk, at)
        if found is not None:
            return at, found
    return max(start, end), None


def _commit_at(session: int, window: int, chunk: bytes, at: int) -> HotCommit | None:
    if at + _HEAD.size > len(chunk):
        return None
    size, first, last, checksum = _HEAD.unpack_from(chunk, at)
    begin = at + _HEAD.size
    if size == 0 or begin + size > len(chunk) or checksum != _checksum(session, window, size, first, last):
        return None
    return HotCommit(session, window, first, last, chunk[begin : begin + size])


def _head(commit: HotCommit) -> bytes:
    size, first, last = len(commit.payload), commit.first_mono_ms, commit.last_mono_ms
    return _HEAD.pack(size, first, last, _checksum(commit.session, commit.window, size, first, last))


def _checksum(session: int, window: int, size: int, first: int, last: int) -> int:
    return zlib.crc32(_TAG.pack(session, window, size, first, last))
