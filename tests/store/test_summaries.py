"""Minute and quarter-hour summaries equal those made from the readings themselves."""

from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from store_samples import HOUR_MS, WALL_MS, block, counts, series

from loggerd.model.channels import MISSING
from loggerd.model.scan import ScanBlock
from loggerd.store.record import Commit, RecordReader, RecordWriter
from loggerd.store.summaries import decode_summary, encode_summary, merge, summarise

Buckets = dict[int, tuple[int, int, float, int]]


def by_hand(wall: np.ndarray, column: np.ndarray, tier_seconds: int) -> Buckets:
    found: dict[int, list[int]] = {}
    for when, value in zip(wall.tolist(), column.tolist(), strict=True):
        if value != MISSING:
            found.setdefault(when // (tier_seconds * 1000) * tier_seconds * 1000, []).append(value)
    return {start: (min(v), max(v), sum(v) / len(v), len(v)) for start, v in found.items()}


def stored(reader: RecordReader, bank: str, tier: int, channel: str) -> Buckets:
    found: Buckets = {}
    for piece in reader.summaries(bank, tier, 0, 2 * WALL_MS, (channel,)):
        for i, start in enumerate(piece.start_ms.tolist()):
            assert start not in found
            found[start] = (piece.minimum[i], piece.maximum[i], piece.mean[i], piece.count[i])
    return found


@pytest.mark.parametrize("tier", [60, 900])
def test_summaries_are_those_of_the_readings(tmp_path: Path, tier: int) -> None:
    """Over hours, a change of the series in an hour, a restart and a step of the wall clock."""
    walls, columns = [], []
    path = tmp_path / "record.sqlite"
    with closing(RecordWriter.open(path)) as writer:
        ids = writer.register_series([series("shunt", c) for c in ("amps", "volts", "ambient_celsius")])
        steps = [(0, 5, ids[:2], 0), (5, 9, ids, 0), (9, 40, ids, -5_000_000), (0, 30, ids[:1], 13_000_000)]
        session = 0
        for first, last, some, step in steps:
            if first == 0:
                session = writer.begin_session("live", WALL_MS, 0, "")
            for ten in range(first, last):
                times = np.arange(ten * 600_000, (ten + 1) * 600_000, 7_000)
                writer.commit(Commit((block("shunt", session, some, times, offset_ms=WALL_MS + step),)))
                walls.append(times + WALL_MS + step)
                columns.append(counts(ids[0], times))
            writer.seal(session, last // 6 * HOUR_MS)
        writer.seal_ended(99)
        with closing(RecordReader.open(path)) as reader:
            expected = by_hand(np.concatenate(walls), np.concatenate(columns), tier)
            found = stored(reader, "house", tier, "amps")
            assert found.keys() == expected.keys()
            for start, (low, high, mean, count) in expected.items():
                assert found[start][:2] + found[start][3:] == (low, high, count)
                assert found[start][2] == pytest.approx(mean, rel=1e-12)
            assert len(stored(reader, "house", tier, "ambient_celsius")) < len(found)


def test_scans_before_the_clock_was_set_are_summarised_where_they_belong() -> None:
    stamps = np.arange(10, dtype=np.int64) * 1000
    offsets = np.where(stamps < 5000, 3, WALL_MS).astype(np.int64)
    clock = (stamps < 5000).astype(np.int64)
    one = ScanBlock("shunt", 1, (1,), stamps, offsets, clock, (stamps,))
    assert summarise(one, 60).start_ms.tolist() == [WALL_MS // 60_000 * 60_000]
    unset = ScanBlock("shunt", 1, (1,), stamps, offsets, clock * 0 + 1, (stamps,))
    assert summarise(unset, 60).start_ms.tolist() == [0, WALL_MS // 60_000 * 60_000]


@settings(max_examples=60)
@given(st.lists(st.one_of(st.integers(-500, 500), st.just(MISSING)), min_size=2, max_size=40), st.data())
def test_any_cut_gives_the_same_summary(numbers: list[int], data: st.DataObject) -> None:
    column = np.array(numbers, dtype=np.int64)
    stamps = np.arange(len(column), dtype=np.int64) * 13_000
    whole = ScanBlock("shunt", 1, (5,), stamps, stamps * 0 + WALL_MS, stamps * 0, (column,))
    cut = data.draw(st.integers(1, len(column) - 1))
    key = (60, 2, 1, WALL_MS)
    part = decode_summary(key, encode_summary(key, summarise(whole.slice(0, cut), 60)))
    one, two = summarise(whole, 60), merge((part, summarise(whole.slice(cut, len(column)), 60)))
    assert encode_summary(key, one) == encode_summary(key, two)


def test_numbers_too_far_apart_for_a_sum_stay_in_bounds() -> None:
    column = np.array([-(2**62), 2**62, 2**62, 5], dtype=np.int64)
    stamps = np.arange(4, dtype=np.int64)
    found = summarise(ScanBlock("shunt", 1, (5,), stamps, stamps, stamps * 0, (column,)), 60).series[5]
    assert (found.minimum[0], found.maximum[0], found.count[0]) == (-(2**62), 2**62, 4)
    assert 0 <= found.above[0] < 2**63
