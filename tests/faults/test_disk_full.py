"""The disk is full, fails or goes away under the service: it reads on, keeps what it reads, and stores it later."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from quick_bank import QuickBank
from quick_site import one_bank, settings_of
from record_judge import announced, blocks_of, integrity, judge_caught_up, missing
from running_service import SettableClock, recording_of, running
from until import until

from loggerd import recording as recording_module
from loggerd import waiting as waiting_module
from loggerd.errors import StoreError
from loggerd.model.scan import Scan
from loggerd.recording import Recording
from loggerd.settings.site import SiteSettings
from loggerd.store.record import Commit, RecordEvent, RecordReader, RecordWriter

BANKS = ("house",)


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recording_module, "RETRY_SECONDS", 0.2)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 700 KB of its own."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=700k", "tmpfs", str(folder)]
    done = subprocess.run(mount, check=False, capture_output=True, text=True)
    if done.returncode:
        pytest.skip(f"may not mount a small file system here: {done.stderr.strip()}")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def make_room(folder: Path) -> None:
    subprocess.run(["mount", "-o", "remount,size=40m", str(folder)], check=True)


def site(folder: Path, port: int) -> SiteSettings:
    return settings_of(one_bank(folder, port, commit_seconds=0.1, poll_seconds=0.05))


def events_of(settings: SiteSettings) -> list[RecordEvent]:
    reader = RecordReader.open(Path(settings.record.path))
    try:
        return reader.events()
    finally:
        reader.close()


def judge(settings: SiteSettings, said: list[str], lost: int = 0, read: int | None = None) -> None:
    """Nothing announced is missing, what was read is there (but for what is said to be lost), ledgers agree."""
    path = Path(settings.record.path)
    blocks = blocks_of(path, BANKS)
    assert missing(announced("".join(f"{line}\n" for line in said).encode()), blocks) == {}
    assert integrity(path) == "ok"
    if read is not None:
        assert sum(map(len, blocks)) == read - lost
    judge_caught_up(settings, "house")


async def full_for(requests: int, recording: Recording, said: list[str], bank: QuickBank) -> int:
    """Wait until nothing was stored for so many requests; returns how much had been announced by then.

    On a disk that is nearly full a small commit may still find room where a larger one did not.
    """
    while True:
        await until(lambda: "no space is left" in recording.status())
        told, asked = len(said), bank.requests
        await until(lambda asked=asked: bank.requests > asked + requests)  # type: ignore[misc]
        if len(said) == told:
            return told


@pytest.mark.needs_root
async def test_a_full_disk_stops_nothing_and_loses_nothing(small_disk: Path, caplog: pytest.LogCaptureFixture) -> None:
    said: list[str] = []
    async with QuickBank() as bank:
        settings = site(small_disk, bank.port)
        async with running(settings, SettableClock(), said.append) as service:
            recording = recording_of(service)
            told = await full_for(50, recording, said, bank)
            assert recording.alive()
            assert recording._waiting.scans > 0
            make_room(small_disk)
            await until(lambda: len(said) > told + 5)
            assert "scans read" in recording.status()
        read = recording._recorder.scans
    kinds = [event.kind for event in events_of(settings)]
    assert kinds.count("record_back") == caplog.text.count("takes readings again") >= 1
    assert "readings_lost" not in kinds
    judge(settings, said, read=read)


@pytest.mark.needs_root
async def test_readings_beyond_the_bound_of_memory_are_said_to_be_lost(
    small_disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(waiting_module, "MOST_SCANS", 60)
    said: list[str] = []
    async with QuickBank() as bank:
        settings = site(small_disk, bank.port)
        async with running(settings, SettableClock(), said.append) as service:
            recording = recording_of(service)
            await until(lambda: "no space is left" in recording.status())
            # By the service's own count: requests that the instrument saw may not have been read yet.
            await until(lambda: sum(one.scans for one in recording._waiting.lost.values()) >= 90)
            assert recording._waiting.scans <= 60
            make_room(small_disk)
            told = len(said)
            await until(lambda: len(said) > told + 5)
        read = recording._recorder.scans
    (event,) = [event for event in events_of(settings) if event.kind == "readings_lost"]
    lost = int(event.text.split()[0])
    assert event.subject == "shunt"
    assert lost >= 90
    judge(settings, said, lost, read)


@pytest.mark.needs_root
async def test_the_service_starts_on_a_disk_that_is_nearly_full(small_disk: Path) -> None:
    (small_disk / "filler").write_bytes(bytes(250_000))
    said: list[str] = []
    async with QuickBank() as bank:
        settings = site(small_disk, bank.port)
        async with running(settings, SettableClock(), said.append):
            await until(lambda: bank.requests > 30)
            make_room(small_disk)
            await until(lambda: len(said) > 5)
    judge(settings, said)


def break_descriptor(ending: str) -> None:
    """The file's descriptor in this process loses its file, so that every write to it fails."""
    null = os.open("/dev/null", os.O_RDONLY)
    try:
        for entry in Path("/proc/self/fd").iterdir():
            if entry.is_symlink() and str(entry.readlink()).endswith(ending):
                os.dup2(null, int(entry.name))
                return
    finally:
        os.close(null)
    raise AssertionError(f"no open file ends in {ending}")


async def test_after_an_error_of_the_disk_the_record_is_opened_anew(tmp_path: Path) -> None:
    said: list[str] = []
    async with QuickBank() as bank:
        settings = site(tmp_path, bank.port)
        async with running(settings, SettableClock(), said.append) as service:
            recording = recording_of(service)
            for _ in range(3):
                told = len(said)
                await until(lambda told=told: len(said) > told + 3)  # type: ignore[misc]
                break_descriptor("record.sqlite-wal")
                await until(lambda: "takes nothing" in recording.status())
                told = len(said)
                await until(lambda told=told: len(said) > told + 3)  # type: ignore[misc]
            await until(lambda: not recording.behind)
        read = recording._recorder.scans
    kinds = [event.kind for event in events_of(settings)]
    assert kinds.count("record_back") == 3
    judge(settings, said, read=read)


async def test_a_disk_that_goes_away_and_comes_back(tmp_path: Path) -> None:
    said: list[str] = []
    disk, away = tmp_path / "disk", tmp_path / "away"
    disk.mkdir()
    async with QuickBank() as bank:
        settings = site(disk, bank.port)
        async with running(settings, SettableClock(), said.append) as service:
            recording = recording_of(service)
            await until(lambda: len(said) > 3)
            disk.rename(away)
            break_descriptor("record.sqlite-wal")
            await until(lambda: "not there any more" in recording.status())
            assert not disk.exists(), "nothing is begun in the place of a disk that is away"
            told = len(said)
            away.rename(disk)
            await until(lambda: len(said) > told + 3)
        read = recording._recorder.scans
    judge(settings, said, read=read)


class UncertainWriter(RecordWriter):
    """Stores, and then says that the disk failed: what a failed sync is like."""

    failing = False

    def commit(self, commit: Commit) -> None:
        super().commit(commit)
        if self.failing:
            raise StoreError("the disk reported an error, but what was written is there")


def test_what_a_failed_commit_stored_after_all_is_not_stored_twice(tmp_path: Path) -> None:
    settings = site(tmp_path, 502)
    path = Path(settings.record.path)
    writer = RecordWriter.open(path)
    writer.__class__ = UncertainWriter
    said: list[str] = []
    recording = Recording(settings, path, SettableClock(speed=1000), said.append, writer)
    for number in range(5):
        recording.scan(Scan("shunt", (number, 2400)))
    recording.commit()
    writer.failing = True  # type: ignore[attr-defined]
    for number in range(5, 9):
        recording.scan(Scan("shunt", (number, 2400)))
    recording.commit()
    assert "takes nothing" in recording.status()
    recording.scan(Scan("shunt", (9, 2400)))
    recording.commit_rest()
    recording.close()
    assert [count for block in blocks_of(path, BANKS) for count in block.counts[0].tolist()] == list(range(10))
    kinds = [event.kind for event in events_of(settings)]
    assert kinds == ["started", "stopped", "record_back"]
    judge(settings, said)


def test_another_record_in_the_place_of_ours_is_not_written(tmp_path: Path) -> None:
    settings = site(tmp_path, 502)
    path = Path(settings.record.path)
    recording = Recording.open(settings, path, SettableClock(), None)
    recording.scan(Scan("shunt", (1, 2400)))
    recording.commit()
    break_descriptor("record.sqlite-wal")
    for ending in ("", "-wal", "-shm"):
        path.with_name(path.name + ending).unlink()
    RecordWriter.open(path.with_name("other")).close()
    path.with_name("other").rename(path)
    recording.scan(Scan("shunt", (2, 2400)))
    recording.commit()
    recording.commit_rest()
    assert "another record" in recording.status()
    recording.close()
    reader = RecordReader.open(path)
    assert reader.sessions() == []
    reader.close()
