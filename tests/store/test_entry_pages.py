"""Pages of the ledger neither lose nor double an entry; single entries, their neighbours; the past of a finding."""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from store_samples import HOUR_MS, WALL_MS, block, entry, series

from loggerd.model.finding import Finding, Grade
from loggerd.model.ledger import Figure, Instant, LedgerName
from loggerd.model.log_book import LogEntry
from loggerd.model.results import FoldResults
from loggerd.store import entry_pages
from loggerd.store.record import BankResults, Commit, EntryWish, Position, RecordReader, RecordWriter, TakenIn

CYCLES = LedgerName.CYCLES
WISH = EntryWish("house", CYCLES)


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[RecordWriter]:
    with closing(RecordWriter.open(tmp_path / "record.sqlite")) as writer:
        writer.register_series([series("shunt", "amps")])
        writer.begin_session("live", WALL_MS, 0, "")
        writer.commit(Commit((block("shunt", 1, (1,), [0, 1000]),)))
        yield writer


@pytest.fixture
def reader(writer: RecordWriter) -> Iterator[RecordReader]:
    with closing(RecordReader.open(writer.path)) as reader:
        yield reader


def store(writer: RecordWriter, revision: int, results: FoldResults) -> None:
    writer.commit(Commit(results=(BankResults("house", revision, results, Position(1, 1000), b""),)))


def fill(writer: RecordWriter, count: int, ties: bool = False) -> int:
    """Cycles of an hour each with 0, 1, 2, ... Ah, other ledgers in between; with ties, three end together."""
    revision = writer.set_revision("house", "one", "{}", "", WALL_MS)
    found = []
    for number in range(count):
        end = WALL_MS + (number // 3 * 3 if ties else number) * HOUR_MS + HOUR_MS
        found.append(entry(1, end - HOUR_MS, end, float(number)))
        found.append(entry(1, end - HOUR_MS, end, 1000.0 + number, LedgerName.PHASES))
    store(writer, revision, FoldResults(tuple(found)))
    return revision


def amounts(reader: RecordReader, wish: EntryWish, size: int) -> list[float]:
    """All entries by walking from page to page."""
    found: list[float] = []
    before: int | None = None
    for _ in range(100):
        page = reader.newest_entries(wish, size, before)
        assert len(page.entries) <= size
        found += [one.entry.figure("amp_hours").value or 0.0 for one in page.entries]
        if page.older is None:
            return found
        before = page.older
    raise AssertionError("the pages do not end")


@pytest.mark.parametrize("ties", [False, True])
@pytest.mark.parametrize("size", [1, 3, 7, 50])
def test_walking_from_page_to_page_meets_every_entry_once(
    writer: RecordWriter, reader: RecordReader, size: int, ties: bool
) -> None:
    fill(writer, 21, ties)
    assert amounts(reader, WISH, size) == [float(number) for number in range(20, -1, -1)]
    shown = [one.entry.figure("amp_hours").value for one in reader.entries("house", CYCLES)]
    assert amounts(reader, WISH, size) == shown[::-1]


def test_time_and_least_figure_choose_and_a_search_ends(
    writer: RecordWriter, reader: RecordReader, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(writer, 30)
    some = replace(WISH, from_ms=WALL_MS + 5 * HOUR_MS + 1, until_ms=WALL_MS + 9 * HOUR_MS)
    assert amounts(reader, some, 2) == [8.0, 7.0, 6.0, 5.0]
    deep = replace(WISH, least=("amp_hours", 25.0))
    assert amounts(reader, deep, 2) == [29.0, 28.0, 27.0, 26.0, 25.0]
    monkeypatch.setattr(entry_pages, "MOST_LOOKED_AT", 4)
    few = replace(WISH, least=("amp_hours", 28.5))
    assert amounts(reader, few, 10) == [29.0], "a page looks at four entries and tells where to go on"
    assert reader.newest_entries(few, 10).older is not None
    assert amounts(reader, replace(WISH, least=("charge_factor", 0.0)), 10) == [], "what cannot be told is not enough"


def test_entries_arriving_meanwhile_do_not_shift_the_pages(writer: RecordWriter, reader: RecordReader) -> None:
    revision = fill(writer, 10)
    first = reader.newest_entries(WISH, 4)
    store(writer, revision, FoldResults((entry(1, WALL_MS + 20 * HOUR_MS, WALL_MS + 21 * HOUR_MS, 99.0),)))
    second = reader.newest_entries(WISH, 4, first.older)
    assert [one.entry.figure("amp_hours").value for one in (*first.entries, *second.entries)] == [
        9.0, 8.0, 7.0, 6.0, 5.0, 4.0, 3.0, 2.0,
    ]  # fmt: skip


def test_of_earlier_tellings_only_what_later_ones_could_not_fold(writer: RecordWriter, reader: RecordReader) -> None:
    writer._connection.execute("UPDATE revision SET raw_from_ms = 0")
    fill(writer, 10)
    newer = writer.set_revision("house", "two", "{}", "scale corrected", WALL_MS)
    border = WALL_MS + 6 * HOUR_MS
    writer._connection.execute("UPDATE revision SET raw_from_ms = ? WHERE id = ?", (border, newer))
    told = tuple(entry(1, WALL_MS + n * HOUR_MS, WALL_MS + (n + 1) * HOUR_MS, 100.0 + n) for n in range(6, 12))
    store(writer, newer, FoldResults(told))
    expected = [111.0, 110.0, 109.0, 108.0, 107.0, 106.0, 5.0, 4.0, 3.0, 2.0, 1.0, 0.0]
    for size in (1, 5, 6, 50):
        assert amounts(reader, WISH, size) == expected
    shown = [one.entry.figure("amp_hours").value for one in reader.entries("house", CYCLES)]
    assert shown[::-1] == expected
    stored = reader.newest_entries(WISH, 50).entries
    assert reader.entry("house", stored[0].id) == stored[0]
    replaced = next(one for one in reader.entries("house", CYCLES, 1) if one.entry.figure("amp_hours").value == 9.0)
    assert reader.entry("house", replaced.id) is None, "told anew by a later revision"
    assert reader.entry("cart", stored[0].id) is None
    ids = [one.id for one in stored][::-1]
    for one, following in zip(ids, [*ids[1:], None], strict=True):
        assert reader.entry_after("house", CYCLES, one) == following
    assert reader.entry_after("house", CYCLES, 10**9) is None


def test_spans_and_figures_without_the_whole_entries(writer: RecordWriter, reader: RecordReader) -> None:
    fill(writer, 10)
    spans = reader.entry_spans(replace(WISH, from_ms=WALL_MS + 3 * HOUR_MS + 1), 4)
    assert [(one.end.at_ms - WALL_MS) // HOUR_MS for one in spans] == [7, 8, 9, 10]
    rows = reader.figure_rows(
        "house", CYCLES, ("amp_hours", "charge_factor", "none"), WALL_MS, WALL_MS + 4 * HOUR_MS, 9
    )
    assert rows == [(2.0, None, None), (1.0, None, None), (0.0, None, None)]
    assert reader.figure_rows("cart", CYCLES, ("amp_hours",), 0, 2 * WALL_MS, 9) == []
    assert reader.newest_entries(EntryWish("cart", CYCLES), 5).entries == ()


def finding(at_ms: int, value: float, subject: str = "bank", name: str = "resistance.bank") -> Finding:
    details = (Figure("volts", value / 10), Figure("half", 0.5))
    span = (Instant(1, at_ms - 10), Instant(1, at_ms - 5))
    return Finding(
        name, subject, "measured", Grade.OBSERVED, "why", Instant(1, at_ms), value, evidence=(span,), details=details
    )


def test_the_past_of_a_finding_has_one_point_between_two_edges(writer: RecordWriter, reader: RecordReader) -> None:
    revision = writer.set_revision("house", "one", "{}", "", WALL_MS)
    shuffled = [finding(WALL_MS + 1000 * n, float(n)) for n in range(100)]
    others = [finding(WALL_MS + 1000 * n, -1.0, random.Random(n).choice(("block 1", "block 2"))) for n in range(100)]
    store(
        writer,
        revision,
        FoldResults(findings=tuple(one for pair in zip(shuffled, others, strict=True) for one in pair)),
    )
    edges = [WALL_MS + 10_000 * n for n in range(8)]
    found = reader.finding_history("house", ("resistance.bank", "bank"), edges)
    assert [one.value for one in found] == [9.0, 19.0, 29.0, 39.0, 49.0, 59.0, 69.0]
    detailed = reader.finding_history("house", ("resistance.bank", "bank"), edges[:2], ("volts", "half"))
    assert [one.value for one in detailed] == [pytest.approx(0.9)]
    assert [(one.low, one.high) for one in detailed] == [(pytest.approx(0.4), pytest.approx(1.4))]
    assert reader.finding_history("house", ("resistance.bank", "link 9"), edges) == []
    told = reader.findings_named("house", "resistance.bank", WALL_MS + 95_000, WALL_MS + 98_000, 4)
    assert [one.at_ms - WALL_MS for one in told] == [96_000, 96_000, 97_000, 97_000]
    assert told[-1].basis_until_ms == told[-1].at_ms - 5
    assert reader.findings_named("cart", "resistance.bank", 0, 2 * WALL_MS, 4) == []


def test_the_log_book_by_time_leaves_out_what_was_corrected(writer: RecordWriter, reader: RecordReader) -> None:
    def taken(number: int, at_ms: int, corrects: str | None = None) -> TakenIn:
        one = LogEntry(f"u{number}", "house", "note", at_ms, "anna", {}, str(number), corrects)
        return TakenIn(one, 1, 1000 + number, WALL_MS)

    writer.commit(Commit(log=(taken(1, 500), taken(2, 100), taken(3, 300), taken(4, 310, "u3"), taken(5, 900))))
    assert [one.entry.uid for one in reader.log_between("house", 100, 900, 10)] == ["u2", "u4", "u1"]
    assert [one.entry.uid for one in reader.log_between("house", 0, 2000, 2)] == ["u1", "u5"]
