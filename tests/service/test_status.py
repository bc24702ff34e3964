"""What the service tells of itself beside the record: written in memory, believed from its owner while it is fresh."""

from __future__ import annotations

import json
import os
import stat
from dataclasses import replace
from pathlib import Path

import pytest
from quick_bank import QuickBank
from quick_site import one_bank, settings_of
from running_service import WALL_MS, SettableClock, recording_of, running
from until import until

from loggerd import __version__, service
from loggerd import status as status_module
from loggerd.model.scan import ClockState
from loggerd.status import BELIEVED_MS, StatusKeeper, read_status, status_path, write_status


@pytest.fixture
def memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder as systemd gives one; the machine's own are not looked at."""
    folder = tmp_path / "run"
    folder.mkdir()
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(folder))
    monkeypatch.setattr(status_module, "_FOLDERS", (folder,))
    return folder


@pytest.fixture
def record(tmp_path: Path) -> Path:
    path = tmp_path / "record.sqlite"
    path.write_bytes(b"x" * 1000)
    return path


def keeper(record: Path) -> StatusKeeper:
    return StatusKeeper(record, SettableClock(), [])


def test_what_is_written_is_read_again(memory: Path, record: Path) -> None:
    told = keeper(record).now("12 scans read")
    write_status(record, told)

    assert read_status(record) == told
    assert (told.words, told.program, told.clock_set) == ("12 scans read", __version__, True)
    assert told.record_bytes_begun == 1000
    assert told.memory_bytes is not None
    assert told.memory_bytes > 1_000_000
    assert [path.name for path in memory.iterdir()] == [status_path(record).name], "no draft is left"


def test_it_may_be_read_by_the_group_and_by_nobody_else(memory: Path, record: Path) -> None:
    write_status(record, keeper(record).now(""))
    assert stat.S_IMODE(status_path(record).stat().st_mode) == 0o640


def test_each_record_has_a_file_of_its_own(memory: Path, tmp_path: Path, record: Path) -> None:
    assert status_path(record) == status_path(tmp_path / "run" / ".." / "record.sqlite")
    assert status_path(record) != status_path(tmp_path / "other.sqlite")


def test_it_is_never_beside_the_record_on_the_card(memory: Path, record: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.undo()
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    assert str(status_path(record).parent) in ("/run/loggerd", "/dev/shm")


def test_old_news_is_no_news(memory: Path, record: Path) -> None:
    now = keeper(record).now("")
    write_status(record, replace(now, boot_ms=now.boot_ms - BELIEVED_MS + 30_000))
    assert read_status(record) is not None
    write_status(record, replace(now, boot_ms=now.boot_ms - BELIEVED_MS - 1))
    assert read_status(record) is None


def test_a_wall_clock_that_is_set_does_not_make_it_old(memory: Path, record: Path) -> None:
    clock = SettableClock()
    told = StatusKeeper(record, clock, [])
    write_status(record, told.now(""))
    clock.step(365 * 86_400_000)
    assert read_status(record) is not None


def test_what_was_written_before_the_machine_was_started_is_not_believed(memory: Path, record: Path) -> None:
    now = keeper(record).now("")
    write_status(record, replace(now, boot_ms=now.boot_ms + 60_000))
    assert read_status(record) is None


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{}",
        b"[]",
        b"\xff\xfe",
        b'{"version": 1}',
        b"[" * 100_000,
        b'{"version": 1, "boot_ms": 1e999}',
    ],
    ids=["empty", "no version", "a list", "no text", "nothing else", "nested", "endless number"],
)
def test_nonsense_says_nothing(memory: Path, record: Path, content: bytes) -> None:
    status_path(record).write_bytes(content)
    assert read_status(record) is None


def test_a_file_of_another_form_says_nothing(memory: Path, record: Path) -> None:
    write_status(record, keeper(record).now(""))
    path = status_path(record)
    path.write_text(json.dumps({**json.loads(path.read_text()), "version": 2}))
    assert read_status(record) is None


def test_a_link_or_a_pipe_is_not_read(memory: Path, record: Path, tmp_path: Path) -> None:
    write_status(record, keeper(record).now(""))
    path = status_path(record)
    path.rename(tmp_path / "elsewhere")
    path.symlink_to(tmp_path / "elsewhere")
    assert read_status(record) is None
    path.unlink()
    os.mkfifo(path)
    assert read_status(record) is None


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file to somebody else")
def test_a_file_of_a_foreign_owner_is_not_believed(memory: Path, record: Path) -> None:
    write_status(record, keeper(record).now("all is well"))
    os.chown(status_path(record), 12_345, -1)
    assert read_status(record) is None
    os.chown(record, 12_345, -1)
    assert read_status(record) is not None, "the owner of the record may say it"


def test_where_it_cannot_be_written_that_is_told_once(
    memory: Path, record: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(memory / "gone"))
    told = keeper(record)
    told.write("")
    told.write("")
    assert len([one for one in caplog.records if "the pages cannot be told" in one.message]) == 1


async def test_the_service_tells_its_counts_and_takes_them_away_at_the_end(
    memory: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(service, "EVERY_SECONDS", 0.05)
    record, clock = tmp_path / "record.sqlite", SettableClock()
    async with QuickBank() as bank:
        async with running(settings_of(one_bank(tmp_path, bank.port)), clock) as serving:
            await until(lambda: recording_of(serving).status() != "0 scans read")
            await until(lambda: (found := read_status(record)) is not None and found.devices[0].answers > 1)
            await until(lambda: (found := read_status(record)) is not None and found.looked_ms is not None)
            told = read_status(record)
            assert told is not None
            (shunt,) = told.devices
            assert (shunt.device, shunt.failed, shunt.last_error) == ("shunt", 0, "")
            assert shunt.polls >= shunt.answers
            assert shunt.heard_ms is not None
            assert WALL_MS <= told.began_ms <= shunt.heard_ms <= told.at_ms <= clock.wall_ms()
            assert told.running_ms > 0
            clock.said = ClockState.NOT_SET
            await until(lambda: (found := read_status(record)) is not None and not found.clock_set)
        assert read_status(record) is None
    assert not status_path(record).exists()


async def test_an_instrument_that_is_not_there_is_counted(
    memory: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(service, "EVERY_SECONDS", 0.05)
    async with QuickBank() as bank:
        port = bank.port
    async with running(settings_of(one_bank(tmp_path, port)), SettableClock()):
        record = tmp_path / "record.sqlite"
        await until(lambda: (found := read_status(record)) is not None and found.devices[0].absent > 0)
        told = read_status(record)
        assert told is not None
        assert (told.devices[0].answers, told.devices[0].heard_ms) == (0, None)
        assert told.devices[0].last_error
