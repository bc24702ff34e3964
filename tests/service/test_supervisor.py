"""The supervisor hears that we are ready, that we live while work gets done, and that we stop."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from quick_bank import QuickBank
from quick_site import one_bank, settings_of
from running_service import SettableClock, recording_of, running
from service_process import ServiceProcess
from until import until

from loggerd import recording as recording_module
from loggerd.supervisor import tell_supervisor, watchdog_seconds


class Supervisor:
    """Listens where NOTIFY_SOCKET says."""

    def __init__(self, address: str) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(address)
        self._socket.setblocking(False)
        self.heard: list[str] = []

    def listen(self) -> list[str]:
        """Everything heard so far, line by line."""
        with contextlib.suppress(BlockingIOError):
            while True:
                self.heard += self._socket.recv(4096).decode().splitlines()
        return self.heard

    def close(self) -> None:
        self._socket.close()


@pytest.fixture
def supervisor(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Supervisor]:
    address = str(tmp_path / "notify")
    monkeypatch.setenv("NOTIFY_SOCKET", address)
    monkeypatch.setenv("WATCHDOG_USEC", "200000")
    listening = Supervisor(address)
    yield listening
    listening.close()


async def test_ready_alive_and_stopping_in_this_order(tmp_path: Path, supervisor: Supervisor) -> None:
    async with QuickBank() as bank:
        settings = settings_of(one_bank(tmp_path, bank.port))
        async with running(settings, SettableClock()):
            await until(lambda: supervisor.listen().count("WATCHDOG=1") >= 3)
    words = [line for line in supervisor.listen() if not line.startswith("STATUS")]
    assert words[0] == "READY=1"
    assert words[-1] == "STOPPING=1"
    assert set(words[1:-1]) == {"WATCHDOG=1"}
    assert "STATUS=reading 1 devices" in supervisor.heard


async def test_no_sign_of_life_while_commits_hang(
    tmp_path: Path, supervisor: Supervisor, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recording_module, "PATIENCE_SECONDS", 1.0)
    release = threading.Event()
    async with QuickBank() as bank:
        settings = settings_of(one_bank(tmp_path, bank.port, commit_seconds=0.1))
        async with running(settings, SettableClock()) as service:
            recording = recording_of(service)
            await until(lambda: "WATCHDOG=1" in supervisor.listen())
            service._writing.submit(release.wait)
            try:
                await until(lambda: not recording.alive())
                supervisor.listen().clear()
                asked = bank.requests
                await asyncio.sleep(1.0)
                assert supervisor.listen() == []
                assert bank.requests > asked, "a card that hangs never delays a poll"
            finally:
                release.set()
            await until(lambda: "WATCHDOG=1" in supervisor.listen())
            assert recording.alive()


async def test_a_record_that_takes_nothing_is_no_reason_to_be_restarted(
    tmp_path: Path, supervisor: Supervisor, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recording_module, "PATIENCE_SECONDS", 0.5)
    monkeypatch.setattr(recording_module, "RETRY_SECONDS", 0.2)
    async with QuickBank() as bank:
        (tmp_path / "disk").mkdir()
        settings = settings_of(one_bank(tmp_path / "disk", bank.port, commit_seconds=0.1))
        async with running(settings, SettableClock()) as service:
            recording = recording_of(service)
            recording.writer._broken = "the disk reported an error."
            (tmp_path / "disk").rename(tmp_path / "away")
            await until(lambda: any("takes nothing" in line for line in supervisor.listen()))
            supervisor.heard.clear()
            await until(lambda: supervisor.listen().count("WATCHDOG=1") >= 5)
            assert recording.alive()
            (tmp_path / "away").rename(tmp_path / "disk")
            await until(lambda: "scans read" in recording.status())


async def test_a_supervisor_that_goes_away_is_no_fault(tmp_path: Path, supervisor: Supervisor) -> None:
    async with QuickBank() as bank:
        settings = settings_of(one_bank(tmp_path, bank.port))
        async with running(settings, SettableClock()):
            await until(lambda: "WATCHDOG=1" in supervisor.listen())
            supervisor.close()
            asked = bank.requests
            await until(lambda: bank.requests > asked + 20)


def test_without_a_supervisor_nothing_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    monkeypatch.delenv("WATCHDOG_USEC", raising=False)
    tell_supervisor("READY=1")
    assert watchdog_seconds() == 0


async def test_the_real_process_tells_a_supervisor_on_an_abstract_socket(tmp_path: Path) -> None:
    name = f"@loggerd test {tmp_path}"
    listening = Supervisor("\0" + name[1:])
    async with QuickBank() as bank, ServiceProcess(one_bank(tmp_path, bank.port), tmp_path / "ack") as service:
        await service.start({"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "1000000"})
        await until(lambda: "WATCHDOG=1" in listening.listen() or service.ended)
        code, said = await service.finish(signal.SIGTERM)
    assert code == 0, said.decode()
    assert listening.listen()[0] == "READY=1"
    assert "STOPPING=1" in listening.heard
    listening.close()
