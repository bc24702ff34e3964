"""Hot chunks: commits written on in place, found again whole, whatever was damaged or undone in between."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from store_samples import WALL_MS, block, readings_of, series

from loggerd.errors import StoreError
from loggerd.store.bundle import encode_bundle
from loggerd.store.connection import beside
from loggerd.store.hot import HotCommit, commits_in
from loggerd.store.record import HOUR_MS, BankResults, Commit, Position, RecordReader, RecordWriter
from loggerd.store.schema import MIGRATIONS


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "record.sqlite"


@pytest.fixture
def writer(path: Path) -> Iterator[RecordWriter]:
    with closing(begun(path)) as opened:
        yield opened


def begun(path: Path) -> RecordWriter:
    writer = RecordWriter.open(path)
    writer.register_series([series("shunt", "volts"), series("shunt", "amps")])
    writer.begin_session("live", WALL_MS, 0, "")
    return writer


def seconds(first: int, count: int = 10) -> Commit:
    return Commit((block("shunt", 1, (1, 2), range(first * 1000, (first + count) * 1000, 1000)),))


def chunks(writer: RecordWriter) -> list[tuple[int, int, int, bytes]]:
    return writer._connection.execute("SELECT id, session, window, payload FROM hot ORDER BY id").fetchall()


def stored(path: Path) -> set[int]:
    """Times of the scans that are read back."""
    with closing(RecordReader.open(path)) as reader:
        return {key[2] for window in reader.windows("house", None) for key in readings_of(window.blocks)}


def damaged(path: Path) -> list[tuple[int, int]]:
    with closing(RecordReader.open(path)) as reader:
        found = [one for window in reader.windows("house", None) for one in window.damaged]
    return [(one.first_mono_ms, one.last_mono_ms) for one in found]


def spoil(writer: RecordWriter, chunk: int, payload: bytes) -> None:
    writer._connection.execute("UPDATE hot SET payload = ? WHERE id = ?", (payload, chunk))


def times(*spans: tuple[int, int]) -> set[int]:
    return {second * 1000 for first, stop in spans for second in range(first, stop)}


def test_commits_of_an_hour_share_chunks_and_those_of_two_hours_do_not(writer: RecordWriter, path: Path) -> None:
    for first in range(3500, 3700, 10):
        writer.commit(seconds(first))
    assert [(session, window) for _, session, window, _ in chunks(writer)] == [(1, 0), (1, 1)]
    assert stored(path) == times((3500, 3700))


def test_chunks_grow_with_their_hour_and_a_large_commit_has_one_of_its_own(writer: RecordWriter, path: Path) -> None:
    for first in range(0, 2400, 2):
        writer.commit(seconds(first, 2))
    writer.commit(Commit((block("shunt", 1, (1, 2), range(2_400_000, 3_599_990, 10)),)))
    sizes = [len(payload) for *_, payload in chunks(writer)]
    assert sizes[:3] == [16_384, 16_384, 32_768]
    assert len(stored(path)) == 2400 + 119_999


def test_writing_goes_on_behind_the_last_commit_after_opening_anew(path: Path) -> None:
    with closing(begun(path)) as writer:
        writer.commit(seconds(0))
    with closing(RecordWriter.open(path)) as writer:
        writer.commit(seconds(10))
        assert len(chunks(writer)) == 1
        with pytest.raises(StoreError, match="stored already"):
            writer.commit(seconds(0))
    assert stored(path) == times((0, 20))


def test_room_of_an_undone_commit_is_used_again(writer: RecordWriter, path: Path) -> None:
    writer.commit(seconds(0))
    unknown = BankResults("house", 99, results=None, position=Position(1, 0), state=b"")  # type: ignore[arg-type]
    with pytest.raises(StoreError):
        writer.commit(Commit(seconds(10).readings, (unknown,)))
    assert stored(path) == times((0, 10))
    writer.commit(seconds(20))
    assert stored(path) == times((0, 10), (20, 30))
    ((_, session, window, payload),) = chunks(writer)
    assert all(commit.payload for commit in commits_in(session, window, payload))


@pytest.mark.parametrize("byte", [0, 5, 23, 24, 60])
def test_damage_costs_one_commit_and_is_told(writer: RecordWriter, path: Path, byte: int) -> None:
    for first in range(0, 50, 10):
        writer.commit(seconds(first))
    ((chunk, session, window, payload),) = chunks(writer)
    second = list(commits_in(session, window, payload))[1]
    spoilt = bytearray(payload)
    spoilt[payload.index(second.payload) - 24 + byte] ^= 0x41
    spoil(writer, chunk, bytes(spoilt))
    assert stored(path) == times((0, 10), (20, 50))
    ((first, last),) = damaged(path)
    assert first <= 10_000
    assert 19_000 <= last < 20_000
    writer.commit(seconds(50))
    assert stored(path) == times((0, 10), (20, 60))


def test_zeroes_in_the_midst_are_damage_and_not_the_end(writer: RecordWriter, path: Path) -> None:
    for first in range(0, 50, 10):
        writer.commit(seconds(first))
    ((chunk, session, window, payload),) = chunks(writer)
    second = list(commits_in(session, window, payload))[1]
    begin = payload.index(second.payload) - 24
    end = begin + 24 + len(second.payload)
    spoil(writer, chunk, payload[:begin] + bytes(end - begin) + payload[end:])
    assert stored(path) == times((0, 10), (20, 50))
    assert len(damaged(path)) == 1


def test_a_chunk_without_a_whole_commit_is_told_once_and_sealed_away(writer: RecordWriter, path: Path) -> None:
    writer.commit(seconds(3600))
    ((chunk, _, _, payload),) = chunks(writer)
    spoil(writer, chunk, bytes(byte ^ 0xFF for byte in payload))
    assert stored(path) == set()
    assert len(damaged(path)) == 1
    writer.commit(seconds(3610))
    assert stored(path) == times((3610, 3620))
    assert writer.seal(1, 2 * HOUR_MS) == 1
    assert stored(path) == times((3610, 3620))
    assert chunks(writer) == []
    with closing(RecordReader.open(path)) as reader:
        # What stood before the commit that was written on, and what stood behind it.
        assert [event.kind for event in reader.events()] == ["damaged"] * 2


def test_a_chunk_of_another_hour_is_not_taken_for_this_one(writer: RecordWriter, path: Path) -> None:
    writer.commit(seconds(0))
    ((chunk, *_),) = chunks(writer)
    writer._connection.execute("UPDATE hot SET window = 1 WHERE id = ?", (chunk,))
    assert stored(path) == set()
    assert len(damaged(path)) == 1


def test_a_record_of_the_first_form_is_taken_over_with_its_hot_readings(path: Path) -> None:
    with closing(RecordWriter.open(path, migrations=MIGRATIONS[:1])) as writer:
        writer.register_series([series("shunt", "volts"), series("shunt", "amps")])
        session = writer.begin_session("live", WALL_MS, 0, "")
        for first in (3580, 3590, 3600):
            (piece,) = seconds(first).readings
            window, begin = first // 3600, first * 1000
            payload = encode_bundle((session, window, begin), [(1, piece)])
            writer._connection.execute(
                "INSERT INTO hot VALUES (?, ?, ?, ?)", (session, begin, int(piece.mono_ms[-1]), payload)
            )
    with closing(RecordWriter.open(path)) as writer:
        assert stored(path) == times((3580, 3610))
        writer.commit(seconds(3610))
        assert writer.seal_ended(99) == 2
        assert stored(path) == times((3580, 3620))
    with closing(sqlite3.connect(beside(path, ".form-1"))) as copy:
        assert copy.execute("SELECT count(*) FROM hot").fetchone() == (3,)


def test_what_stands_between_commits_never_passes_for_one() -> None:
    commit = HotCommit(1, 0, 0, 0, b"payload")
    assert list(commits_in(commit.session, commit.window, bytes(4096))) == []
    (told,) = commits_in(1, 0, bytes(range(1, 256)) * 8)
    assert told == HotCommit(1, 0, 0, 0, b"")
