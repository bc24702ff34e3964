"""What is deleted when: only raw that is old, summarised and folded, and old minute summaries."""

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from store_samples import HOUR_MS, WALL_MS, block, results, series

from loggerd.store.record import BankResults, Commit, Position, RecordReader, RecordWriter

DAY_MS = 86_400_000
HOURS = 72


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[RecordWriter]:
    with closing(RecordWriter.open(tmp_path / "record.sqlite")) as writer:
        writer.register_series([series("shunt", "amps"), series("shunt", "volts", bank="cart")])
        writer.begin_session("live", WALL_MS, 0, "")
        for hour in range(HOURS):
            writer.commit(Commit((block("shunt", 1, (1, 2), [hour * HOUR_MS, hour * HOUR_MS + 1000]),)))
        writer.seal(1, HOURS * HOUR_MS)
        yield writer


@pytest.fixture
def reader(writer: RecordWriter) -> Iterator[RecordReader]:
    with closing(RecordReader.open(writer.path)) as reader:
        yield reader


def fold(writer: RecordWriter, bank: str, hours: int) -> None:
    revision = writer.set_revision(bank, "one", "{}", "", WALL_MS)
    last = Position(1, hours * HOUR_MS - 1)
    writer.commit(Commit(results=(BankResults(bank, revision, results(), last, b""),)))


def first_hour(reader: RecordReader) -> int:
    return int(next(reader.windows("house", None)).blocks[0].mono_ms[0]) // HOUR_MS


def test_raw_goes_when_every_bank_has_folded_it(writer: RecordWriter, reader: RecordReader) -> None:
    now = WALL_MS + 10 * DAY_MS
    assert writer.retain(now, raw_days=8, minute_days=100).blocks == 0
    fold(writer, "house", HOURS)
    assert writer.retain(now, raw_days=8, minute_days=100).blocks == 0, "cart has not folded anything"
    fold(writer, "cart", 30)
    assert writer.retain(now, raw_days=8, minute_days=100).blocks == 30
    assert first_hour(reader) == 30
    fold(writer, "cart", HOURS)
    assert writer.retain(now, raw_days=8, minute_days=100).blocks == 18, "what is younger than eight days stays"
    assert first_hour(reader) == 48
    assert writer.retain(now, raw_days=8, minute_days=100).blocks == 0


def test_a_new_revision_keeps_raw_until_it_has_folded_it(writer: RecordWriter) -> None:
    fold(writer, "house", HOURS)
    fold(writer, "cart", HOURS)
    writer.set_revision("house", "two", "{}", "scale corrected", WALL_MS)
    assert writer.retain(WALL_MS + 10 * DAY_MS, raw_days=1, minute_days=100).blocks == 0


def test_a_bank_that_is_gone_does_not_hold_back_later_readings(writer: RecordWriter) -> None:
    fold(writer, "house", HOURS + 10)
    fold(writer, "cart", HOURS)
    later = [hour * HOUR_MS for hour in range(HOURS, HOURS + 10)]
    writer.commit(Commit((block("shunt", 1, (1,), later),)))
    writer.seal(1, (HOURS + 10) * HOUR_MS)
    assert writer.retain(WALL_MS + 10 * DAY_MS, raw_days=1, minute_days=100).blocks == HOURS + 10


def test_minute_summaries_go_later_and_quarter_hours_stay(writer: RecordWriter, reader: RecordReader) -> None:
    def first(tier: int) -> int:
        return int(next(reader.summaries("house", tier, 0, 2 * WALL_MS)).start_ms[0])

    before = first(900)
    gone = writer.retain(WALL_MS + 4 * DAY_MS, raw_days=1, minute_days=3)
    assert gone.minute_rows >= 3
    assert WALL_MS + DAY_MS - 6 * HOUR_MS <= first(60) <= WALL_MS + DAY_MS
    assert first(900) == before
