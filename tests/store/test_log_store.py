"""The log book in the record: whole, in order, all or nothing with its commit; older records gain the table."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from loggerd.errors import StoreError, StoreHeld
from loggerd.model.log_book import LogEntry
from loggerd.store.connection import beside
from loggerd.store.record import Commit, RecordEvent, RecordReader, RecordWriter, TakenIn, salvage
from loggerd.store.schema import MIGRATIONS

ENTRY = LogEntry(
    "3f2a9c01bd",
    "house",
    "hydrometer_round",
    1_777_649_400_000,
    "Anna Groß",
    {"cell_1": 1.265, "cell_2": 0.1 + 0.2, "after_full_charge": True, "hydrometer": "glass, 2"},
    "cap of cell 3 was loose",
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "record.sqlite"


def log_of(path: Path, bank: str | None = None) -> list[TakenIn]:
    with closing(RecordReader.open(path)) as reader:
        return reader.log_entries(bank)


def test_entries_come_back_as_they_were_stored(path: Path) -> None:
    correction = replace(ENTRY, uid="aa", data={}, corrects=ENTRY.uid)
    other = replace(ENTRY, uid="bb", bank="boat")
    with closing(RecordWriter.open(path)) as writer:
        session = writer.begin_session("live", 1, 2, "")
        first = TakenIn(ENTRY, session, 500, 1_777_649_500_000)
        writer.commit(Commit(log=(first,)))
        writer.commit(Commit(log=(TakenIn(other, session, 600, 7), TakenIn(correction, session, 600, 8))))

        assert writer.log_entry(ENTRY.uid) == replace(first, id=1)
        assert writer.log_entry("cc") is None
        assert writer.last_log_mono_ms(session) == 600
        assert writer.last_log_mono_ms(session + 1) is None
    assert [(one.entry, one.mono_ms, one.id) for one in log_of(path)] == [
        (ENTRY, 500, 1),
        (other, 600, 2),
        (correction, 600, 3),
    ]
    assert [one.entry for one in log_of(path, "house")] == [ENTRY, correction]


def test_a_uid_cannot_be_stored_twice_and_nothing_of_that_commit_is(path: Path) -> None:
    with closing(RecordWriter.open(path)) as writer:
        session = writer.begin_session("live", 1, 2, "")
        taken = TakenIn(ENTRY, session, 500, 9)
        writer.commit(Commit(log=(taken,)))
        event = RecordEvent(session, 1, 2, "kind", "subject", "text")
        with pytest.raises(StoreError):
            writer.commit(Commit(events=(event,), log=(replace(taken, entry=replace(ENTRY, uid="zz")), taken)))
    assert [one.entry for one in log_of(path)] == [ENTRY]
    with closing(RecordReader.open(path)) as reader:
        assert reader.events() == []


def test_a_record_without_a_log_book_gets_one(path: Path) -> None:
    with closing(RecordWriter.open(path, migrations=MIGRATIONS[:3])) as writer:
        writer.begin_session("live", 1, 2, "kept")
    with pytest.raises(StoreError, match="older form"):
        RecordReader.open(path)
    with closing(RecordWriter.open(path)) as writer:
        writer.commit(Commit(log=(TakenIn(ENTRY, 1, 500, 9),)))
    assert [one.entry for one in log_of(path)] == [ENTRY]
    with closing(sqlite3.connect(beside(path, ".form-3"))) as copy:
        assert copy.execute("SELECT note FROM session").fetchall() == [("kept",)]


def test_the_log_book_is_salvaged(path: Path) -> None:
    with closing(RecordWriter.open(path)) as writer:
        session = writer.begin_session("live", 1, 2, "")
        writer.commit(Commit(log=(TakenIn(ENTRY, session, 500, 9),)))
    out = path.with_name("saved.sqlite")
    assert salvage(path, out).rows["log_entry"] == 1
    assert log_of(out) == log_of(path)


def test_a_held_record_says_so_by_its_type(path: Path) -> None:
    with closing(RecordWriter.open(path)), pytest.raises(StoreHeld, match="another loggerd is writing"):
        RecordWriter.open(path)


def test_the_last_session_is_that_of_the_fold(path: Path) -> None:
    with closing(RecordWriter.open(path)) as writer:
        assert writer.last_session() is None
        session = writer.begin_session("live", 1_000, 2, "")
        last = writer.last_session()
        assert last is not None
        assert (last.id, last.began_mono_ms, last.last_mono_ms) == (session, 2, None)
