"""The four-hour summaries: kept beside the others, made for records that lack them, whole after salvage."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from store_samples import HOUR_MS, WALL_MS, block, counts, series

from loggerd.model.channels import MISSING
from loggerd.model.scan import ScanBlock
from loggerd.store import importing
from loggerd.store.record import Commit, RecordReader, RecordWriter, salvage
from loggerd.store.schema import MIGRATIONS
from loggerd.store.summaries import FOUR_HOURS, SPAN_MS, coarser, merge, summarise

DAY_MS = 86_400_000
Rows = list[tuple[int, int, int, float, int]]


def rows(path: Path, tier: int, channel: str = "amps", until_ms: int = 2 * WALL_MS) -> Rows:
    with closing(RecordReader.open(path)) as reader:
        return [
            row
            for piece in reader.summaries("house", tier, 0, until_ms, (channel,))
            for row in zip(*(column.tolist() for column in _columns(piece)), strict=True)
        ]


def _columns(piece: object) -> list[np.ndarray]:
    return [getattr(piece, name) for name in ("start_ms", "minimum", "maximum", "mean", "count")]


def fill(path: Path, days: int, **more: object) -> np.ndarray:
    """A record of so many days, a reading a minute; the times of its readings."""
    with closing(RecordWriter.open(path, **more)) as writer:  # type: ignore[arg-type]
        ids = writer.register_series([series("shunt", name) for name in ("amps", "volts")])
        session = writer.begin_session("import", WALL_MS, 0, "")
        times = np.arange(0, days * DAY_MS, 60_000)
        whole = [block("shunt", session, ids, part) for part in np.array_split(times, days)]
        writer.import_blocks(session, whole)
    return times


def by_hand(times: np.ndarray) -> Rows:
    column = counts(1, times)
    starts = (times + WALL_MS) // (FOUR_HOURS * 1000) * FOUR_HOURS * 1000
    found = []
    for start in np.unique(starts).tolist():
        chosen = column[(starts == start) & (column != MISSING)]
        found.append((start, int(chosen.min()), int(chosen.max()), float(chosen.mean()), len(chosen)))
    return found


def test_four_hours_are_those_of_the_readings_over_rows_of_thirty_days(tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    times = fill(path, 33)
    found = rows(path, FOUR_HOURS)
    expected = by_hand(times)
    assert len(found) == len(expected) > SPAN_MS[FOUR_HOURS] // (FOUR_HOURS * 1000)
    for one, other in zip(found, expected, strict=True):
        assert one[:3] + one[4:] == other[:3] + other[4:]
        assert one[3] == pytest.approx(other[3], rel=1e-12)
    begin, end = expected[3][0], expected[5][0]
    with closing(RecordReader.open(path)) as reader:
        some = [one.start_ms.tolist() for one in reader.summaries("house", FOUR_HOURS, begin, end, ("amps",))]
    assert some == [[begin, expected[4][0]]]


def test_a_dip_of_one_second_is_in_the_four_hours(tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    with closing(RecordWriter.open(path)) as writer:
        (identity,) = writer.register_series([series("shunt", "amps")])
        session = writer.begin_session("live", WALL_MS, 0, "")
        stamps = np.arange(0, HOUR_MS, 1000)
        column = np.full(len(stamps), 5000)
        column[1234] = 17
        same = np.full(len(stamps), WALL_MS)
        writer.commit(Commit((ScanBlock("shunt", session, (identity,), stamps, same, same * 0, (column,)),)))
        writer.seal(session, HOUR_MS)
    assert min(row[1] for row in rows(path, FOUR_HOURS)) == 17


def test_an_older_record_gets_the_same_rows_as_one_that_always_had_them(tmp_path: Path) -> None:
    new, old = tmp_path / "new.sqlite", tmp_path / "old.sqlite"
    fill(new, 33)
    with pytest.MonkeyPatch.context() as patch:
        patch.delitem(SPAN_MS, FOUR_HOURS)
        fill(old, 33, migrations=[one for one in MIGRATIONS if one.to_version < 7])
    RecordWriter.open(old).close()
    assert rows(old, FOUR_HOURS) == rows(new, FOUR_HOURS)
    assert rows(old, 900) == rows(new, 900)
    assert rows(old, FOUR_HOURS, "volts")


def test_a_damaged_day_of_an_older_record_is_missing_not_wrong(tmp_path: Path) -> None:
    old = tmp_path / "old.sqlite"
    with pytest.MonkeyPatch.context() as patch:
        patch.delitem(SPAN_MS, FOUR_HOURS)
        times = fill(old, 5, migrations=[one for one in MIGRATIONS if one.to_version < 7])
        with closing(RecordWriter.open(old, migrations=[one for one in MIGRATIONS if one.to_version < 7])) as writer:
            spans = writer._connection.execute("SELECT id, span_ms, payload FROM summary WHERE tier_seconds = 900")
            identity, span, payload = sorted(spans.fetchall(), key=lambda row: int(row[1]))[2]
            broken = payload[:-40] + bytes(byte ^ 0x55 for byte in payload[-40:])
            writer._connection.execute("UPDATE summary SET payload = ? WHERE id = ?", (broken, identity))
    RecordWriter.open(old).close()
    left = [row for row in by_hand(times) if not span <= row[0] < span + DAY_MS]
    assert [row[0] for row in rows(old, FOUR_HOURS)] == [row[0] for row in left]


def test_minutes_are_let_go_and_four_hours_stay_and_salvage_brings_them_over(tmp_path: Path) -> None:
    path, saved = tmp_path / "record.sqlite", tmp_path / "saved.sqlite"
    fill(path, 5)
    before = rows(path, FOUR_HOURS)
    with closing(RecordWriter.open(path)) as writer:
        assert writer.retain(WALL_MS + 20 * DAY_MS, raw_days=1, minute_days=1).minute_rows > 0
    assert rows(path, 60) == []
    salvage(path, saved)
    assert rows(path, FOUR_HOURS) == rows(saved, FOUR_HOURS) == before


def test_an_import_that_is_taken_out_leaves_no_four_hours(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(importing, "SCANS_PER_TRANSACTION", 50)
    path = tmp_path / "record.sqlite"
    with closing(RecordWriter.open(path)) as writer:
        ids = writer.register_series([series("shunt", "amps")])
        session = writer.begin_session("import", WALL_MS, 0, "")

        def blocks() -> object:
            yield block("shunt", session, ids, range(0, DAY_MS, 600_000))
            stored.append(writer._connection.execute("SELECT count(*) FROM summary").fetchone()[0])
            yield block("shunt", session, ids, range(DAY_MS, 2 * DAY_MS, 600_000))
            stored.append(writer._connection.execute("SELECT count(*) FROM summary").fetchone()[0])
            raise ValueError("the file ends here")

        stored: list[int] = []
        with pytest.raises(ValueError, match="ends here"):
            writer.import_blocks(session, blocks())  # type: ignore[arg-type]
        assert stored[-1] > 0
    assert rows(path, FOUR_HOURS) == []


def test_coarser_is_what_summarising_anew_gives() -> None:
    one = block("shunt", 1, (1, 2), range(0, 30 * HOUR_MS, 60_000))
    fine = merge([summarise(one, 900)])
    expected = summarise(one, FOUR_HOURS)
    found = coarser(fine, FOUR_HOURS)
    assert found.start_ms.tolist() == expected.start_ms.tolist()
    for identity, buckets in expected.series.items():
        for name in ("minimum", "maximum", "above", "count"):
            assert np.array_equal(getattr(found.series[identity], name), getattr(buckets, name)), name
