"""The real service as a process of its own: started, listened to, stopped and killed."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
from collections.abc import Mapping
from pathlib import Path

from until import until

RUN = (sys.executable, "-m", "loggerd", "run")


class ServiceProcess:
    """`python -m loggerd run SETTINGS --acknowledge FILE`; the file is new for each run."""

    def __init__(self, settings: Path, acknowledge: Path) -> None:
        self.settings = settings
        self.acknowledge = acknowledge
        self.process: asyncio.subprocess.Process | None = None

    async def __aenter__(self) -> ServiceProcess:
        return self

    async def __aexit__(self, *_: object) -> None:
        """Whatever became of the test, the process does not outlive it."""
        if self.process is not None and not self.ended:
            await self.finish(signal.SIGKILL)

    async def start(
        self, environment: Mapping[str, str] | None = None, *, keep_acknowledge: bool = False
    ) -> ServiceProcess:
        """Start it, with some variables of the environment changed. `keep_acknowledge`: that file is a pipe."""
        if not keep_acknowledge:
            self.acknowledge.unlink(missing_ok=True)
        self.process = await asyncio.create_subprocess_exec(
            *RUN,
            str(self.settings),
            "--acknowledge",
            str(self.acknowledge),
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.PIPE,
            env={**os.environ, "PYTHONWARNINGS": "", "OPENBLAS_NUM_THREADS": "1", **(environment or {})},
        )
        return self

    @property
    def said(self) -> bytes:
        """What it has announced so far."""
        return self.acknowledge.read_bytes() if self.acknowledge.exists() else b""

    async def announced(self, lines: int = 1) -> None:
        """Wait until it has announced so many commits of devices (or has ended)."""
        await until(lambda: self.said.count(b"\n") >= lines or self.ended)
        assert not self.ended, (await self.errors()).decode()

    @property
    def ended(self) -> bool:
        return self.process is not None and self.process.returncode is not None

    async def errors(self) -> bytes:
        """What it says on its standard error until it ends."""
        assert self.process is not None
        assert self.process.stderr is not None
        return await self.process.stderr.read()

    async def finish(self, number: int) -> tuple[int, bytes]:
        """Send a signal (unless it has ended), wait for the end; returns exit code and standard error."""
        assert self.process is not None
        if not self.ended:
            self.process.send_signal(number)
        said = await self.errors()
        return await self.process.wait(), said

    async def stop(self) -> None:
        """Stop in order."""
        code, said = await self.finish(signal.SIGTERM)
        assert code == 0, said.decode()
