"""Past readings: all of a file or nothing, never twice for the same time."""

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from store_samples import HOUR_MS, WALL_MS, block, readings_of, series

from loggerd.errors import ReadingsFileError, StoreError
from loggerd.model.scan import ScanBlock
from loggerd.store.record import Commit, RecordReader, RecordWriter

DAY_MS = 86_400_000


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[RecordWriter]:
    with closing(RecordWriter.open(tmp_path / "record.sqlite")) as writer:
        writer.register_series([series("shunt", "amps"), series("file", "amps"), series("file", "amps", bank="cart")])
        yield writer


@pytest.fixture
def reader(writer: RecordWriter) -> Iterator[RecordReader]:
    with closing(RecordReader.open(writer.path)) as reader:
        yield reader


def past(session: int, scans: int = 4000, size: int = 300, start: int = -10 * DAY_MS) -> Iterator[ScanBlock]:
    for first in range(0, scans, size):
        yield block("file", session, (2,), range(first * 10_000, min(first + size, scans) * 10_000, 10_000),
                    offset_ms=WALL_MS + start)  # fmt: skip


def stored(reader: RecordReader) -> dict[tuple[int, str, int, int], tuple[int, int, int]]:
    return readings_of(b for window in reader.windows("house", None) for b in window.blocks)


def test_all_scans_of_a_file_are_there_after_it(
    writer: RecordWriter, reader: RecordReader, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("loggerd.store.importing.SCANS_PER_TRANSACTION", 1000)
    session = writer.begin_session("import", WALL_MS, 0, "old.csv")
    assert writer.import_blocks(session, past(session)) == 4000
    assert stored(reader) == readings_of(past(session))
    assert len(list(reader.windows("house", None))) == 12
    with pytest.raises(ValueError, match="waits"):
        writer.import_blocks(session, past(session))


def test_file_that_ends_in_an_error_leaves_nothing(
    writer: RecordWriter, reader: RecordReader, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("loggerd.store.importing.SCANS_PER_TRANSACTION", 1000)
    session = writer.begin_session("import", WALL_MS, 0, "old.csv")

    def broken() -> Iterator[ScanBlock]:
        yield from past(session)
        assert stored(reader) == {}, "shown before it is whole"
        assert reader.health().sealed_blocks > 0
        raise ReadingsFileError("line 4001")

    with pytest.raises(ReadingsFileError):
        writer.import_blocks(session, broken())
    assert (reader.sessions(), reader.health().sealed_blocks, stored(reader)) == ([], 0, {})
    assert list(reader.summaries("house", 60, 0, 2 * WALL_MS)) == []


def test_import_cut_short_by_a_kill_is_taken_out_at_the_next_start(
    writer: RecordWriter, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("loggerd.store.importing.SCANS_PER_TRANSACTION", 1000)
    monkeypatch.setattr("loggerd.store.writer.remove_session", lambda connection, session: None)
    session = writer.begin_session("import", WALL_MS, 0, "old.csv")
    with pytest.raises(ValueError, match="session"):
        writer.import_blocks(session, (b for s in (session, 99) for b in past(s)))
    writer.close()
    RecordWriter.open(writer.path).close()
    with closing(RecordReader.open(writer.path)) as reader:
        assert (reader.health().sealed_blocks, reader.sessions(), stored(reader)) == (0, [], {})


@pytest.mark.parametrize("sealed", [True, False])
def test_readings_of_a_time_that_is_already_there_are_refused(
    writer: RecordWriter, reader: RecordReader, sealed: bool
) -> None:
    live = writer.begin_session("live", WALL_MS, 0, "")
    writer.commit(Commit((block("shunt", live, (1,), range(0, HOUR_MS, 60_000), offset_ms=WALL_MS - 9 * DAY_MS),)))
    if sealed:
        writer.seal(live, HOUR_MS)
    before = stored(reader)
    session = writer.begin_session("import", WALL_MS, 0, "old.csv")
    with pytest.raises(StoreError, match=r"2025-09-30T\S+ to 2025-\S+ cannot be read in.*2025-09-30T\S+ to") as found:
        writer.import_blocks(session, past(session, start=-9 * DAY_MS - 30 * 60_000))
    assert '"house"' in str(found.value)
    assert stored(reader) == before
    clear = writer.begin_session("import", WALL_MS, 0, "old.csv")
    writer.import_blocks(clear, past(clear, start=-10 * DAY_MS))
    other_bank = writer.begin_session("import", WALL_MS, 0, "cart.csv")
    pieces = [block("file", other_bank, (3,), [5], offset_ms=WALL_MS - 9 * DAY_MS)]
    writer.import_blocks(other_bank, pieces)
