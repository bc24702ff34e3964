"""Ledger, marks, events and the state of the fold: stored together, found again by revision."""

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from store_samples import HOUR_MS, WALL_MS, block, entry, mark, results, series

from loggerd.errors import StoreDamaged, StoreError
from loggerd.model.ledger import Entry, LedgerName
from loggerd.model.results import FoldResults
from loggerd.store.record import BankResults, Commit, Position, RecordEvent, RecordReader, RecordWriter

DAY_MS = 86_400_000


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[RecordWriter]:
    with closing(RecordWriter.open(tmp_path / "record.sqlite")) as writer:
        writer.register_series([series("shunt", "amps"), series("shunt", "volts")])
        writer.begin_session("live", WALL_MS, 0, "")
        yield writer


@pytest.fixture
def reader(writer: RecordWriter) -> Iterator[RecordReader]:
    with closing(RecordReader.open(writer.path)) as reader:
        yield reader


def begin(writer: RecordWriter, fingerprint: str, created: int = WALL_MS) -> int:
    return writer.set_revision("house", fingerprint, "{}", f"because {fingerprint}", created)


def put(writer: RecordWriter, revision: int, found: FoldResults, mono_ms: int = 0, state: bytes = b"s") -> None:
    writer.commit(Commit(results=(BankResults("house", revision, found, Position(1, mono_ms), state),)))


def entries(reader: RecordReader, **limits: int) -> list[Entry]:
    return [stored.entry for stored in reader.entries("house", LedgerName.CYCLES, **limits)]


def test_revision_stays_while_its_fingerprint_does(writer: RecordWriter, reader: RecordReader) -> None:
    one = begin(writer, "one")
    assert begin(writer, "one") == one
    two = begin(writer, "two")
    assert begin(writer, "one") == two + 1
    found = reader.revisions("house")
    assert [(r.id, r.fingerprint, r.reason) for r in found] == [
        (one, "one", "because one"),
        (two, "two", "because two"),
        (two + 1, "one", "because one"),
    ]


def test_entries_and_marks_come_back_as_they_were(writer: RecordWriter, reader: RecordReader) -> None:
    revision = begin(writer, "one")
    made = [entry(1, WALL_MS + i * HOUR_MS, WALL_MS + (i + 1) * HOUR_MS, 0.1 * i) for i in range(450)]
    other = entry(1, WALL_MS, WALL_MS + 1, 7.0, LedgerName.PHASES)
    spans = tuple(mark(1, WALL_MS + i * HOUR_MS, WALL_MS + i * HOUR_MS + 10) for i in range(450))
    put(writer, revision, results(*made, other, marks=spans))
    assert entries(reader) == made
    assert [stored.entry for stored in reader.entries("house", LedgerName.PHASES)] == [other]
    assert [stored.span for stored in reader.marks("house")] == list(spans)
    some = {"from_ms": WALL_MS + 10 * HOUR_MS + 1, "until_ms": WALL_MS + 12 * HOUR_MS}
    assert entries(reader, **some) == made[10:12]
    assert [stored.span for stored in reader.marks("house", **some)] == [spans[10], spans[11]]


def test_newer_revision_hides_what_it_can_tell_itself(writer: RecordWriter, reader: RecordReader) -> None:
    writer.commit(Commit((block("shunt", 1, (1, 2), [0, 1000]),)))
    first = begin(writer, "one")
    put(writer, first, results(entry(1, WALL_MS, WALL_MS + 1000, 1.0)))
    second = begin(writer, "two")
    assert entries(reader) == []
    put(writer, second, results(entry(1, WALL_MS, WALL_MS + 1000, 2.0)))
    (shown,) = reader.entries("house", LedgerName.CYCLES)
    assert (shown.revision, shown.recomputable) == (second, True)
    assert entries(reader, revision=first)[0].figure("amp_hours").value == 1.0


def test_what_is_older_than_the_readings_stays_as_it_was_told(writer: RecordWriter, reader: RecordReader) -> None:
    for hour in range(30):
        writer.commit(Commit((block("shunt", 1, (1, 2), [hour * HOUR_MS + 5, hour * HOUR_MS + 1005]),)))
    writer.seal(1, 30 * HOUR_MS)
    first = begin(writer, "one")
    old, crossing, new = (
        entry(1, WALL_MS, WALL_MS + 2 * HOUR_MS, 1.0),
        entry(1, WALL_MS + 2 * HOUR_MS, WALL_MS + 11 * HOUR_MS, 2.0),
        entry(1, WALL_MS + 11 * HOUR_MS, WALL_MS + 12 * HOUR_MS, 3.0),
    )
    put(writer, first, results(old, crossing, new), mono_ms=30 * HOUR_MS)
    gone = writer.retain(WALL_MS + DAY_MS + 10 * HOUR_MS, raw_days=1, minute_days=1)
    assert (gone.blocks, gone.readings) == (10, sum(1 for _ in range(10)) * 4 - _missing(10))
    assert [stored.recomputable for stored in reader.entries("house", LedgerName.CYCLES)] == [False, False, True]
    second = begin(writer, "two")
    again = entry(1, WALL_MS + 11 * HOUR_MS, WALL_MS + 12 * HOUR_MS, 3.5)
    put(writer, second, results(again), mono_ms=30 * HOUR_MS)
    shown = list(reader.entries("house", LedgerName.CYCLES))
    assert [(stored.entry, stored.revision, stored.recomputable) for stored in shown] == [
        (old, first, False),
        (again, second, True),
    ]


def _missing(hours: int) -> int:
    blocks = [block("shunt", 1, (1, 2), [h * HOUR_MS + 5, h * HOUR_MS + 1005]) for h in range(hours)]
    return sum(int((column == -(2**63)).sum()) for one in blocks for column in one.counts)


def test_state_is_replaced_with_the_results_it_belongs_to(writer: RecordWriter, reader: RecordReader) -> None:
    revision = begin(writer, "one")
    assert reader.checkpoint("house", revision) is None
    put(writer, revision, results(), 5, b"first")
    put(writer, revision, results(), 9, b"second" * 1000)
    assert reader.checkpoint("house", revision) == (Position(1, 9), b"second" * 1000)


def test_state_that_fails_its_check_sum_is_never_used(writer: RecordWriter, reader: RecordReader) -> None:
    revision = begin(writer, "one")
    put(writer, revision, results(), 5, b"state")
    writer._connection.execute("UPDATE checkpoint SET mono_ms = 6")
    with pytest.raises(StoreDamaged, match="recompute"):
        reader.checkpoint("house", revision)


def test_commit_is_stored_whole_or_not_at_all(writer: RecordWriter, reader: RecordReader) -> None:
    revision = begin(writer, "one")
    piece = block("shunt", 1, (1, 2), [0, 1000])
    bad = BankResults("house", revision + 7, results(entry(1, 0, 1, 1.0)), Position(1, 1000), b"")
    event = RecordEvent(1, 0, WALL_MS, "start", "service", "began")
    with pytest.raises(StoreError, match="not one of this bank"):
        writer.commit(Commit((piece,), (bad,), (event,)))
    assert list(reader.windows("house", None)) == []
    writer.commit(Commit((piece,), (), (event,)))
    with pytest.raises(StoreError):  # the same instant of the same session twice
        writer.commit(Commit((piece,), (), (event,)))
    assert reader.events() == [event]
    assert reader.events(from_ms=WALL_MS + 1) == []


def test_blocks_that_no_caller_should_make_are_refused(writer: RecordWriter) -> None:
    good = block("shunt", 1, (1, 2), [0, 1000])
    for wrong in (
        block("shunt", 1, (1, 2), [1000, 1000]),
        block("shunt", 1, (1, 2), []),
        block("shunt", 1, (1, 9), [0]),
        block("taps", 1, (1, 2), [0]),
    ):
        with pytest.raises(ValueError, match="device"):
            writer.commit(Commit((good, wrong)))


def test_series_keep_their_number_over_restarts(writer: RecordWriter) -> None:
    assert writer.register_series([series("shunt", "volts"), series("shunt", "volts", resolution=0.5)]) == (2, 3)
    writer.close()
    with closing(RecordWriter.open(writer.path)) as again, closing(RecordReader.open(writer.path)) as reader:
        assert again.register_series([series("shunt", "volts", resolution=0.5), series("taps", "volts")]) == (3, 4)
        assert [(s.id, s.device, s.channel.name, s.resolution) for s in reader.series()] == [
            (1, "shunt", "amps", 1.0),
            (2, "shunt", "volts", 1.0),
            (3, "shunt", "volts", 0.5),
            (4, "taps", "volts", 1.0),
        ]
