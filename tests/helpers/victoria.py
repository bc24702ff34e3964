"""Debian's victoria-metrics on a free port of this machine, for tests that send to a real time-series server."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import time
import urllib.parse
import urllib.request
from pathlib import Path

import pytest

BINARY = shutil.which("victoria-metrics")
needs_server = pytest.mark.skipif(
    BINARY is None and "CI" not in os.environ,
    reason="NOT TESTED AGAINST A REAL SERVER: Debian's victoria-metrics is not installed",
)


class RealServer:
    """VictoriaMetrics on loopback with its data in a folder."""

    def __init__(self, folder: Path) -> None:
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        assert BINARY is not None, "CI needs Debian's victoria-metrics"
        self._process = subprocess.Popen(
            [
                BINARY,
                f"-storageDataPath={self._folder}",
                f"-httpListenAddr=127.0.0.1:{self.port}",
                "-dedup.minScrapeInterval=1ms",
                "-search.latencyOffset=0s",
                "-retentionPeriod=100y",
                "-memory.allowedPercent=5",
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        while True:
            try:
                self.get("/health")
            except OSError:
                assert self._process.poll() is None, "the server ended by itself"
                time.sleep(0.05)
            else:
                return

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait()
            self._process = None

    def get(self, path: str) -> str:
        with urllib.request.urlopen(self.url + path, timeout=10) as answer:
            body: bytes = answer.read()
        return body.decode()

    def points(self, name: str) -> dict[int, float]:
        """Stored values of one field by time; doubles would be seen as more values than times."""
        self.get("/internal/force_flush")
        query = urllib.parse.urlencode({"match[]": f'{{__name__="{name}"}}', "start": "2026-01-01T00:00:00Z"})
        found: dict[int, float] = {}
        for line in self.get(f"/api/v1/export?{query}").splitlines():
            series = json.loads(line)
            assert series["metric"]["site"] == "Hut"
            assert series["metric"]["bank"] == "house"
            assert series["metric"]["kind"] == "pair"
            assert series["metric"]["revision"] == "1"
            for at, value in zip(series["timestamps"], series["values"], strict=True):
                assert at not in found, "doubled"
                found[at] = value
        return found
