"""A real time-series server for the tests of this folder."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from victoria import RealServer


@pytest.fixture
def real_server(tmp_path: Path) -> Iterator[RealServer]:
    server = RealServer(tmp_path / "data")
    server.start()
    yield server
    server.stop()
