"""Records that the service must not write: held by another, newer than the program, not ours, not reachable."""

from __future__ import annotations

import os
import signal
import sqlite3
from pathlib import Path

import pytest
from quick_bank import QuickBank
from quick_site import one_bank, settings_of
from record_judge import announced, blocks_of, missing
from running_service import SettableClock, running
from service_process import ServiceProcess
from until import until

from loggerd.errors import StoreError


async def refused(settings: Path, folder: Path) -> str:
    """Start the service, which must end by itself with exit code 1; returns what it says."""
    async with ServiceProcess(settings, folder / "ack-refused") as service:
        await service.start()
        said = (await service.errors()).decode()
        assert service.process is not None
        assert await service.process.wait() == 1, said
    assert "Traceback" not in said
    return said


async def test_a_second_service_on_the_same_record_is_refused_and_the_first_goes_on(tmp_path: Path) -> None:
    async with QuickBank() as bank, ServiceProcess(one_bank(tmp_path, bank.port), tmp_path / "ack") as first:
        await first.start()
        await first.announced(2)
        said = await refused(first.settings, tmp_path)
        assert "another loggerd is writing this record" in said
        await first.announced(first.said.count(b"\n") + 3)
        await first.stop()
    assert missing(announced(first.said), blocks_of(tmp_path / "record.sqlite", ("house",))) == {}


async def test_a_newer_record_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    async with QuickBank() as bank:
        settings = one_bank(tmp_path, bank.port)
        said: list[str] = []
        async with running(settings_of(settings), SettableClock(), said.append):
            await until(lambda: bool(said))
        path = tmp_path / "record.sqlite"
        connection = sqlite3.connect(path)
        connection.execute("PRAGMA user_version = 99")
        connection.close()
        before = path.read_bytes(), path.stat().st_mtime_ns
        told = await refused(settings, tmp_path)
    assert "form 99" in told
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before


async def test_a_file_of_another_program_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE photos (name TEXT)")
    connection.commit()
    connection.close()
    before = path.read_bytes()
    settings = settings_of(one_bank(tmp_path, 502))
    with pytest.raises(StoreError, match="not a record of loggerd"):
        async with running(settings, SettableClock()):
            pass
    assert path.read_bytes() == before


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="needs a folder in which nothing can be made")
async def test_a_place_where_nothing_can_be_written_is_told(tmp_path: Path) -> None:
    settings = one_bank(tmp_path, 502)
    settings.write_text(settings.read_text().replace('"record.sqlite"', '"/proc/self/fd/record.sqlite"'))
    assert "/proc/self/fd/record.sqlite" in await refused(settings, tmp_path)


async def test_listeners_that_go_away_do_not_stop_the_service(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reading = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    async with QuickBank() as bank, ServiceProcess(one_bank(tmp_path, bank.port), pipe) as service:
        await service.start(keep_acknowledge=True)
        heard = b""

        def some() -> bool:
            nonlocal heard
            try:
                heard += os.read(reading, 65536)
            except BlockingIOError:
                return False
            return heard.count(b"\n") >= 3

        await until(some)
        os.close(reading)
        asked = bank.requests
        await until(lambda: bank.requests > asked + 60)
        code, said = await service.finish(signal.SIGTERM)
    assert code == 0, said.decode()
    assert "not taken any more" in said.decode()
    blocks = blocks_of(tmp_path / "record.sqlite", ("house",))
    assert missing(announced(heard), blocks) == {}
    assert sum(map(len, blocks)) > sum(map(len, announced(heard).values())) + 40
