"""Reading scans back, hour by hour in fold order, while a service may go on writing.

Each step is one short look at the record: it finds the next hour that has scans after the last one handed over,
fetches that hour whole, and lets go before anything is decoded. Between two steps hot readings may become sealed
blocks, or new ones may arrive; since a step asks for scans after a position and not for rows, none is lost or seen
twice.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from loggerd.errors import StoreDamaged, StoreError
from loggerd.model.scan import ScanBlock
from loggerd.store.blocks import join_blocks, pick, settled_wall_ms
from loggerd.store.bundle import decode_bundle
from loggerd.store.connection import snapshot
from loggerd.store.hot import HotCommit, hot_commits, hot_windows
from loggerd.store.readings import sealed_block
from loggerd.store.shapes import HOUR_MS, DamagedBlock, Position, ScanWindow

_BEFORE_ALL = -(2**63)
_AFTER_ALL = 2**63 - 1


@dataclass
class _Fetched:
    """Rows of one hour as they lie in the record."""

    window: int
    sealed: list[tuple[int, int, int, bytes]]
    hot: list[HotCommit]
    blocks: list[ScanBlock] = field(default_factory=list)
    damaged: list[DamagedBlock] = field(default_factory=list)

    @property
    def until_mono_ms(self) -> int:
        return max([row[2] for row in self.sealed] + [commit.last_mono_ms for commit in self.hot])


class WindowReader:
    """Hands over the scans of some series, hour by hour."""

    def __init__(self, connection: sqlite3.Connection, wanted: frozenset[int], span: tuple[int, int]) -> None:
        self._connection = connection
        self._wanted = wanted
        self._from_ms, self._until_ms = span
        marks = ",".join("?" * len(wanted))
        self._devices = [
            int(row[0])
            for row in connection.execute(f"SELECT DISTINCT device FROM series WHERE id IN ({marks})", tuple(wanted))
        ]
        self._names: dict[int, str] = dict(connection.execute("SELECT id, name FROM device"))
        self._numbers = {name: number for number, name in self._names.items()}
        self._device_marks = ",".join("?" * len(self._devices))

    def session(self, session: int, after_mono_ms: int) -> Iterator[ScanWindow]:
        """The windows of one session with scans after the given time."""
        while True:
            with snapshot(self._connection):
                fetched = self._next(session, after_mono_ms)
            if fetched is None:
                return
            self._decode(session, fetched)
            blocks = [self._cut(block, after_mono_ms) for block in join_blocks(fetched.blocks)]
            kept = tuple(block for block in blocks if len(block))
            after_mono_ms = fetched.until_mono_ms
            if kept or fetched.damaged:
                yield ScanWindow(session, kept, after_mono_ms, tuple(fetched.damaged))

    def _next(self, session: int, after_mono_ms: int) -> _Fetched | None:
        sealed = self._connection.execute(
            "SELECT window FROM sealed WHERE session = ? AND window >= ? AND last_mono_ms > ?"
            f" AND device IN ({self._device_marks}) AND last_wall_ms >= ? AND first_wall_ms < ?"
            " ORDER BY window LIMIT 1",
            (session, after_mono_ms // HOUR_MS, after_mono_ms, *self._devices, self._from_ms, self._until_ms),
        ).fetchone()
        found = [int(sealed[0])] if sealed else []
        hot = [window for window in hot_windows(self._connection, session) if window >= after_mono_ms // HOUR_MS]
        for window in sorted({*found, *hot}):
            fetched = self._fetch(session, window, after_mono_ms, window in hot)
            if fetched.sealed or fetched.hot:
                return fetched
        return None

    def _fetch(self, session: int, window: int, after_mono_ms: int, has_hot: bool) -> _Fetched:
        sealed = self._connection.execute(
            "SELECT device, first_mono_ms, last_mono_ms, payload FROM sealed WHERE session = ? AND window = ?"
            f" AND last_mono_ms > ? AND device IN ({self._device_marks})"
            " AND last_wall_ms >= ? AND first_wall_ms < ?",
            (session, window, after_mono_ms, *self._devices, self._from_ms, self._until_ms),
        ).fetchall()
        # Sorted here: the database would copy the readings to sort them.
        sealed.sort(key=lambda row: int(row[1]))
        commits = hot_commits(self._connection, session, window) if has_hot else ()
        hot = [commit for commit in commits if commit.last_mono_ms > after_mono_ms]
        return _Fetched(window, sealed, hot)

    def _decode(self, session: int, fetched: _Fetched) -> None:
        for device, first, last, payload in fetched.sealed:
            self._decode_sealed(session, fetched, DamagedBlock(session, self._names[device], first, last, ""), payload)
        for commit in fetched.hot:
            self._decode_hot(fetched, commit)

    def _decode_sealed(self, session: int, fetched: _Fetched, place: DamagedBlock, payload: bytes) -> None:
        try:
            fetched.blocks += [b for b in (self._sealed(session, fetched, place.device, payload),) if b.series]
        except StoreDamaged as error:
            fetched.damaged.append(replace(place, text=str(error)))

    def _decode_hot(self, fetched: _Fetched, commit: HotCommit) -> None:
        try:
            fetched.blocks += decode_bundle(commit.payload, commit.tag, self._names.get, self._wanted)
        except StoreDamaged as error:
            place = DamagedBlock(commit.session, "", commit.first_mono_ms, commit.last_mono_ms, str(error))
            fetched.damaged.append(place)

    def _sealed(self, session: int, fetched: _Fetched, device: str, payload: bytes) -> ScanBlock:
        return sealed_block(payload, (session, self._numbers[device], fetched.window), device, self._wanted)

    def _cut(self, block: ScanBlock, after_mono_ms: int) -> ScanBlock:
        start = int(np.searchsorted(block.mono_ms, after_mono_ms, side="right"))
        if self._from_ms == _BEFORE_ALL and self._until_ms == _AFTER_ALL:
            return block.slice(start, len(block)) if start else block
        wall = settled_wall_ms(block)
        inside = (wall >= self._from_ms) & (wall < self._until_ms)
        inside[:start] = False
        return block if inside.all() else pick(block, np.flatnonzero(inside))


def read_windows(
    connection: sqlite3.Connection,
    bank: str,
    after: Position | None,
    sessions: Sequence[int],
    span: tuple[int | None, int | None],
) -> Iterator[ScanWindow]:
    """All windows of a bank after a position, sessions in the given order.

    Raises StoreError when the position is in a session that is not among them.
    """
    wanted = frozenset(int(row[0]) for row in connection.execute("SELECT id FROM series WHERE bank = ?", (bank,)))
    if after is not None:
        if after.session not in sessions:
            raise StoreError(f'bank "{bank}": session {after.session} is not in the record')
        sessions = sessions[sessions.index(after.session) :]
    from_ms, until_ms = span
    limits = (_BEFORE_ALL if from_ms is None else from_ms, _AFTER_ALL if until_ms is None else until_ms)
    reader = WindowReader(connection, wanted, limits)
    for session in sessions:
        is_first = after is not None and session == after.session
        yield from reader.session(session, after.mono_ms if after and is_first else _BEFORE_ALL)
