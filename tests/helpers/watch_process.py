"""The real watcher as a process of its own: started, killed, stopped; it does not outlive the test."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

WATCH = (sys.executable, "-m", "loggerd", "watch")


def free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


def wait_until(condition: Callable[[], bool]) -> None:
    """The test's own timeout is the limit."""
    while not condition():
        time.sleep(0.02)


class WatchProcess:
    """`python -m loggerd watch FILE`."""

    def __init__(self, settings: Path, port: int | None = None, environment: dict[str, str] | None = None) -> None:
        self.settings = settings
        self.process = subprocess.Popen(
            [*WATCH, str(settings)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            env={**os.environ, "PYTHONWARNINGS": "", "OPENBLAS_NUM_THREADS": "1", **(environment or {})},
        )
        if port is not None:
            wait_until(lambda: self.ended or _listens(port))
            assert not self.ended, self.finish()

    def __enter__(self) -> WatchProcess:
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()

    @property
    def ended(self) -> bool:
        return self.process.poll() is not None

    def kill(self) -> None:
        """kill -9; what it has said is read so that no pipe stays open."""
        if not self.ended:
            self.process.send_signal(signal.SIGKILL)
        self.finish()

    def finish(self) -> tuple[int, str]:
        """Wait for the end; exit code and what it said."""
        if self.process.stderr is None or self.process.stderr.closed:
            return self.process.wait(), ""
        said = self.process.communicate()[1].decode()
        return self.process.returncode, said

    def stop(self) -> tuple[int, str]:
        self.process.send_signal(signal.SIGTERM)
        return self.finish()

    def known(self, site: str = "Hut") -> dict[str, Any]:
        """What its state says of a site; {} for nothing."""
        path = self.settings.with_name("watch-state.json")
        if not path.exists():
            return {}
        found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))["state"]["sites"].get(site, {})
        return found


def look_once(settings: Path) -> tuple[int, str]:
    """`loggerd watch FILE --once`: exit code and what it prints."""
    done = subprocess.run([*WATCH, str(settings), "--once"], capture_output=True, check=False)
    return done.returncode, done.stdout.decode()


def _listens(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), 5).close()
    except OSError:
        return False
    return True
