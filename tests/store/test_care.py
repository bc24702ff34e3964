"""Looking after the file: one writer, copies, damage, full disks, and what can be saved."""

import os
import shutil
import sqlite3
import subprocess
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
import store_load
from store_samples import readings_of

from loggerd.errors import StoreDamaged, StoreError, StoreFull
from loggerd.model.ledger import LedgerName
from loggerd.store import care
from loggerd.store.connection import beside
from loggerd.store.record import RecordReader, RecordWriter, backup, salvage, set_aside

COMMITS = 35
NAMES = {"lost device 1": "shunt", "lost device 2": "taps"}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A record with some hours sealed and some hot, closed cleanly."""
    path = tmp_path / "record.sqlite"
    writer = RecordWriter.open(path)
    store_load.prepare(writer)
    store_load.run(writer, 0, COMMITS, os.open(os.devnull, os.O_WRONLY))
    writer.close()
    return path


def test_a_second_writer_is_refused(path: Path) -> None:
    with closing(RecordWriter.open(path)), pytest.raises(StoreError, match="another loggerd is writing"):
        RecordWriter.open(path)
    RecordWriter.open(path).close()


def test_closed_record_is_read_without_a_writer(path: Path) -> None:
    assert not beside(path, "-wal").exists()
    assert store_load.Expected(COMMITS).judge(path, COMMITS) == ""
    content = path.read_bytes()
    with closing(RecordReader.open(path)) as reader:
        assert reader.health().sealed_blocks == 6
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            reader._connection.execute("DELETE FROM sealed")
    assert path.read_bytes() == content


@pytest.mark.needs_root
def test_record_on_a_disk_that_cannot_be_written_is_read(path: Path, tmp_path: Path) -> None:
    place = tmp_path / "mounted"
    place.mkdir()
    shutil.copy(path, tmp_path / "copy.sqlite")
    mount(["-t", "tmpfs", "-o", "size=8m", "tmpfs", str(place)])
    try:
        shutil.copy(path, place / "record.sqlite")
        mount(["-o", "remount,ro", str(place)])
        assert store_load.Expected(COMMITS).judge(place / "record.sqlite", COMMITS) == ""
    finally:
        subprocess.run(["umount", str(place)], check=True)


def mount(arguments: list[str]) -> None:
    if os.geteuid() != 0 or subprocess.run(["mount", *arguments], check=False, capture_output=True).returncode:
        pytest.skip("may not mount here")


def test_missing_record_and_wrong_file_are_told_plainly(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="there is no record here"):
        RecordReader.open(tmp_path / "none.sqlite")
    (tmp_path / "text").write_text("volts;amps\n" * 500)
    with pytest.raises(StoreDamaged, match="keep this file"):
        RecordWriter.open(tmp_path / "text")
    (tmp_path / "folder").mkdir()
    with pytest.raises(StoreError):
        RecordWriter.open(tmp_path / "folder")


def test_copies_beside_a_busy_writer_are_whole(path: Path, tmp_path: Path) -> None:
    with closing(RecordWriter.open(path)) as writer:
        stop = threading.Event()
        announced = [COMMITS]

        def work() -> None:
            number = COMMITS
            while not stop.is_set():
                writer.commit(store_load.commit_of(number))
                number += 1
                announced[0] = number

        worker = threading.Thread(target=work)
        worker.start()
        try:
            for _ in range(5):
                promised = announced[0]
                writer.backup(tmp_path / "copy.sqlite")
                assert store_load.Expected(announced[0] + 5).judge(tmp_path / "copy.sqlite", promised) == ""
        finally:
            stop.set()
            worker.join()
    assert not list(tmp_path.glob("*.unfinished"))


def test_failed_copy_leaves_the_old_one(path: Path, tmp_path: Path) -> None:
    target = tmp_path / "copy.sqlite"
    backup(path, target)
    content = target.read_bytes()
    broken = bytearray(path.read_bytes())
    broken[4096 * 3 : 4096 * 5] = bytes(8192)
    path.write_bytes(broken)
    with pytest.raises(StoreDamaged):
        backup(path, target)
    assert target.read_bytes() == content
    assert not list(tmp_path.glob("*.unfinished"))
    with pytest.raises(StoreError):
        backup(path, tmp_path / "nowhere" / "copy.sqlite")


def test_damaged_pages_are_found_at_opening(path: Path) -> None:
    """Zeroed pages that hold a tree; pages of blobs are guarded by the blocks' own check sums."""
    whole = path.read_bytes()
    with closing(sqlite3.connect(path)) as connection:
        roots = [row[0] for row in connection.execute("SELECT rootpage FROM sqlite_master WHERE rootpage > 0")]
    for root in roots:
        path.write_bytes(whole[: (root - 1) * 4096] + bytes(4096) + whole[root * 4096 :])
        with pytest.raises(StoreDamaged, match="salvage"):
            RecordWriter.open(path)
    path.write_bytes(whole)
    RecordWriter.open(path).close()


def test_large_record_is_checked_table_by_table(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(care, "_CHECK_WHOLE_BYTES", 0)
    RecordWriter.open(path).close()
    with closing(sqlite3.connect(path)) as connection:
        (root,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'entry'").fetchone()
    whole = path.read_bytes()
    path.write_bytes(whole[: (root - 1) * 4096] + bytes(4096) + whole[root * 4096 :])
    with pytest.raises(StoreDamaged):
        RecordWriter.open(path)


def test_damaged_record_is_set_aside_with_its_log(path: Path) -> None:
    beside(path, "-wal").write_bytes(b"log")
    aside = set_aside(path, "20260501T120000")
    assert aside.name == "record.sqlite.damaged-20260501T120000"
    assert aside.exists()
    assert beside(aside, "-wal").read_bytes() == b"log"
    assert not path.exists()
    assert not beside(path, "-wal").exists()
    RecordWriter.open(path).close()
    with pytest.raises(StoreError, match="is taken"):
        set_aside(path, "20260501T120000")


def test_whole_record_is_salvaged_whole(path: Path, tmp_path: Path) -> None:
    report = salvage(path, tmp_path / "saved.sqlite")
    assert report.incomplete == ()
    assert report.rows["entry"] == COMMITS
    assert store_load.Expected(COMMITS).judge(tmp_path / "saved.sqlite", COMMITS) == ""
    with pytest.raises(StoreError, match="exists already"):
        salvage(path, tmp_path / "saved.sqlite")


def test_what_is_whole_of_a_damaged_record_is_saved(path: Path, tmp_path: Path) -> None:
    """Every page zeroed in turn: never a wrong reading, a usable record, and mostly little lost."""
    whole = path.read_bytes()
    expected = readings_of(b for number in range(COMMITS) for b in store_load.blocks_of(number))
    shares = []
    for page in range(1, len(whole) // 4096):
        path.write_bytes(whole[: page * 4096] + bytes(4096) + whole[(page + 1) * 4096 :])
        found = saved(path, tmp_path / f"saved-{page}.sqlite")
        assert found.items() <= expected.items()
        shares.append(len(found) / len(expected))
    print(f"{len(shares)} pages zeroed in turn, on average {sum(shares) / len(shares):.0%} of the readings saved")
    assert sum(shares) / len(shares) > 0.8


def saved(path: Path, out: Path) -> dict[tuple[int, str, int, int], tuple[int, int, int]]:
    """Readings after salvage; none when the page with the list of tables is the one that is gone."""
    try:
        salvage(path, out)
    except StoreDamaged as error:
        assert "list of its tables" in str(error)
        return {}
    RecordWriter.open(out).close()
    with closing(RecordReader.open(out)) as reader:
        list(reader.entries("house", LedgerName.CYCLES))
        found = readings_of(b for w in reader.windows("house", None) for b in w.blocks)
    # The table of devices is one page: without it the readings are kept under stand-in names.
    return {(k[0], NAMES.get(k[1], k[1]), *k[2:]): value for k, value in found.items()}


def test_nothing_can_be_saved_of_a_file_without_a_beginning(path: Path, tmp_path: Path) -> None:
    path.write_bytes(bytes(4096) + path.read_bytes()[4096:])
    with pytest.raises(StoreDamaged):
        salvage(path, tmp_path / "saved.sqlite")


def test_log_has_its_size_from_the_start(path: Path) -> None:
    with closing(RecordWriter.open(path)) as writer:
        writer.grow_wal()
        size = beside(path, "-wal").stat().st_size
        assert size >= 3000 * 4096
        for number in range(COMMITS, COMMITS + 300):
            writer.commit(store_load.commit_of(number))
        writer.checkpoint_wal()
        assert beside(path, "-wal").stat().st_size <= size * 1.2
    assert store_load.Expected(COMMITS + 300).judge(path, COMMITS + 300) == ""


def test_log_that_a_reader_let_swell_is_cut_back(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("loggerd.store.writer._SWOLLEN_WAL_BYTES", 500_000)
    monkeypatch.setattr("loggerd.store.connection.WAL_PAGES", 50)
    with closing(RecordWriter.open(path)) as writer, closing(RecordReader.open(path)) as reader:
        reader._connection.execute("BEGIN")
        reader._connection.execute("SELECT count(*) FROM hot").fetchone()
        for number in range(COMMITS, COMMITS + 60):
            writer.commit(store_load.commit_of(number))
        assert beside(path, "-wal").stat().st_size > 500_000
        reader._connection.execute("ROLLBACK")
        writer.checkpoint_wal()
        assert beside(path, "-wal").stat().st_size == 0


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    place = tmp_path / "small"
    place.mkdir()
    mount(["-t", "tmpfs", "-o", "size=24m", "tmpfs", str(place)])
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


@pytest.mark.needs_root
def test_full_disk_keeps_what_is_stored_and_room_for_the_ledger(small_disk: Path) -> None:
    path = small_disk / "record.sqlite"
    with closing(RecordWriter.open(path)) as writer:
        store_load.prepare(writer)
        stored = 0
        while True:
            # Other files take the rest of the disk, a little at each commit.
            with (small_disk / "other").open("ab") as other:
                try:
                    other.write(bytes(400_000))
                except OSError:
                    os.truncate(small_disk / "other", (small_disk / "other").stat().st_size // 4096 * 4096)
            try:
                writer.commit(store_load.commit_of(stored))
            except StoreFull as error:
                assert "no space is left" in str(error)
                break
            stored += 1
        assert not beside(path, ".ballast").exists(), "the reserve was given back"
        assert store_load.Expected(stored + 1).judge(path, stored) == ""
        writer.commit(store_load.commit_of(stored))  # in the room of the reserve
        assert writer.seal(1, stored * store_load.COMMIT_MS) >= 1
    RecordWriter.open(path).close()
    assert store_load.Expected(stored + 1).judge(path, stored + 1) == ""


@pytest.mark.needs_root
def test_record_opens_on_a_full_disk(path: Path, small_disk: Path) -> None:
    place = small_disk / "record.sqlite"
    shutil.copy(path, place)
    RecordWriter.open(place).close()
    with (small_disk / "other").open("wb") as other, pytest.raises(OSError, match="space"):
        other.write(bytes(30_000_000))
    with closing(RecordWriter.open(place)) as writer:
        writer.commit(store_load.commit_of(COMMITS))
    assert store_load.Expected(COMMITS + 1).judge(place, COMMITS + 1) == ""
