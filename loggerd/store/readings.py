"""Writing readings: hot commits, sealed blocks and summaries when an hour is over."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Sequence

from loggerd.errors import StoreDamaged
from loggerd.model.bank import Series
from loggerd.model.scan import Integers, ScanBlock
from loggerd.store import summaries
from loggerd.store.blocks import count_readings, cut_by_window, join_blocks, settled_wall_ms
from loggerd.store.bundle import decode_bundle, encode_bundle
from loggerd.store.codec import decode_block, encode_block
from loggerd.store.hot import HotCommit, HotWriter, hot_commits

MONO, OFFSET, CLOCK = -1, -2, -3
"""Ids of the stamp columns of a sealed block; series ids are positive."""


class ReadingsWriter:
    """The part of the writer that stores readings. Knows devices and series by number.

    Methods that write are called inside a transaction.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self.hot = HotWriter(connection)
        self._device_ids: dict[str, int] = {}
        self._device_of_series: dict[int, int] = {}
        self.reload()

    def reload(self) -> None:
        """Reads devices and series again (after a transaction that named new ones was undone)."""
        self._device_ids = dict(self._connection.execute("SELECT name, id FROM device"))
        self._device_of_series = dict(self._connection.execute("SELECT id, device FROM series"))

    def register(self, series: Series) -> int:
        """Id of the series, a new one if the record does not know it."""
        device = self._device_ids.get(series.device)
        if device is None:
            insert = "INSERT INTO device (name) VALUES (?) RETURNING id"
            device = int(self._connection.execute(insert, (series.device,)).fetchone()[0])
            self._device_ids[series.device] = device
        key = (device, series.bank, series.channel.name, series.place, series.resolution)
        row = self._connection.execute(
            "SELECT id, unit FROM series"
            " WHERE device = ? AND bank = ? AND channel = ? AND place = ? AND resolution = ?",
            key,
        ).fetchone()
        if row is None:
            row = self._connection.execute(
                "INSERT INTO series (device, bank, channel, place, resolution, unit)"
                " VALUES (?, ?, ?, ?, ?, ?) RETURNING id, unit",
                (*key, series.unit),
            ).fetchone()
        elif row[1] != series.unit:
            # The unit is no part of the key: a corrected unit is a dated setting, the counts are the same.
            self._connection.execute("UPDATE series SET unit = ? WHERE id = ?", (series.unit, row[0]))
        self._device_of_series[int(row[0])] = device
        return int(row[0])

    def check(self, blocks: Sequence[ScanBlock]) -> None:
        """Raises ValueError for a block that no correct caller hands in."""
        for block in blocks:
            columns = (block.wall_minus_mono_ms, block.clock, *block.counts)
            if any(len(column) != len(block) for column in columns) or len(block.series) != len(block.counts):
                raise ValueError(f'device "{block.device}": columns of unequal length')
            if not _rising(block.mono_ms):
                raise ValueError(f'device "{block.device}": scans are not in rising order of time')
            device = self._device_ids.get(block.device)
            if any(self._device_of_series.get(series) != device for series in block.series):
                raise ValueError(f'device "{block.device}": series {block.series} are not registered for it')

    def hot_commits(self, blocks: Sequence[ScanBlock]) -> list[HotCommit]:
        """The blocks of one commit by session and hour, as they are stored. Nothing is written."""
        commits = []
        for session in sorted({block.boot for block in blocks}):
            own = [block for block in blocks if block.boot == session]
            for window, pieces in cut_by_window(own).items():
                first = min(int(piece.mono_ms[0]) for piece in pieces)
                last = max(int(piece.mono_ms[-1]) for piece in pieces)
                numbered = [(self._device_ids[piece.device], piece) for piece in pieces]
                payload = encode_bundle((session, window, first), numbered)
                commits.append(HotCommit(session, window, first, last, payload))
        return commits

    def seal_window(self, session: int, window: int) -> list[str]:
        """Moves the hot readings of one hour to sealed blocks; returns what could not be read, for an event each."""
        names = {number: name for name, number in self._device_ids.items()}
        pieces: list[ScanBlock] = []
        lost = []
        for commit in hot_commits(self._connection, session, window):
            try:
                pieces += decode_bundle(commit.payload, commit.tag, names.get)
            except StoreDamaged as error:
                span = f"from {commit.first_mono_ms} to {commit.last_mono_ms} ms"
                lost.append(f"readings {span} of session {session} are lost: {error}")
        lost += self.write_sealed(session, window, join_blocks(pieces))
        self.hot.delete(session, window)
        return lost

    def write_sealed(self, session: int, window: int, blocks: Sequence[ScanBlock]) -> list[str]:
        """Stores joined blocks of one hour, with their summaries and what sessions and series say of their use.

        Returns what was found damaged on the way.
        """
        lost = []
        for block in blocks:
            lost += self._insert_sealed(session, window, block)
        if blocks:
            last = max(blocks, key=lambda block: int(block.mono_ms[-1]))
            first_wall = min(int(settled_wall_ms(block)[0]) for block in blocks)
            self._connection.execute(
                "UPDATE session SET first_wall_ms = coalesce(first_wall_ms, ?), last_mono_ms = ?,"
                " last_wall_minus_mono_ms = ?, last_clock = ? WHERE id = ? AND coalesce(last_mono_ms < ?, 1)",
                (
                    first_wall,
                    int(last.mono_ms[-1]),
                    int(last.wall_minus_mono_ms[-1]),
                    int(last.clock[-1]),
                    session,
                    int(last.mono_ms[-1]),
                ),
            )
        return lost

    def _insert_sealed(self, session: int, window: int, block: ScanBlock) -> list[str]:
        device = self._device_ids[block.device]
        wall = settled_wall_ms(block)
        first_wall, last_wall = int(wall.min()), int(wall.max())
        stamps = [(MONO, block.mono_ms), (OFFSET, block.wall_minus_mono_ms), (CLOCK, block.clock)]
        columns = stamps + list(zip(block.series, block.counts, strict=True))
        self._connection.execute(
            "INSERT INTO sealed (session, window, device, first_mono_ms, last_mono_ms, first_wall_ms,"
            " last_wall_ms, scans, readings, payload) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                session,
                window,
                device,
                int(block.mono_ms[0]),
                int(block.mono_ms[-1]),
                first_wall,
                last_wall,
                len(block),
                count_readings(block),
                encode_block((session, device, window), columns),
            ),
        )
        self._connection.executemany(
            "UPDATE series SET first_wall_ms = min(coalesce(first_wall_ms, ?1), ?1),"
            " last_wall_ms = max(coalesce(last_wall_ms, ?2), ?2) WHERE id = ?3",
            [(first_wall, last_wall, series) for series in block.series],
        )
        return summaries.add_to_rows(self._connection, device, session, block)


def _rising(stamps: Integers) -> bool:
    return len(stamps) > 0 and bool((stamps[1:] > stamps[:-1]).all())


def sealed_block(payload: bytes, tag: tuple[int, int, int], device: str, wanted: Collection[int]) -> ScanBlock:
    """The scans of a sealed hour, with only the wanted series. `tag`: session, number of the device, window.

    Raises StoreDamaged when the check sum is wrong.
    """
    columns = decode_block(payload, tag, {*wanted, MONO, OFFSET, CLOCK}).by_id
    series = tuple(identity for identity in columns if identity > 0)
    stamps = columns[MONO], columns[OFFSET], columns[CLOCK]
    return ScanBlock(device, tag[0], series, *stamps, tuple(columns[identity] for identity in series))
