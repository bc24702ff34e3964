"""A damaged record never stops the reading: it is kept as it is, and a new one begun."""

from __future__ import annotations

from pathlib import Path

import pytest

from loggerd.clock import SystemClock
from loggerd.recording import Recording
from loggerd.settings.load import load_settings
from loggerd.store.record import RecordReader

SITE = """
[site]
name = "Hut"
timezone = "UTC"
[[bank]]
name = "house"
type = "agm"
strings = 1
blocks_per_string = 4
cells_per_block = 6
rated_amp_hours = 200
rated_hours = 20
"""


def test_a_damaged_record_is_set_aside_and_told(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    (tmp_path / "site.toml").write_text(SITE)
    settings = load_settings(tmp_path / "site.toml")
    path = Path(settings.record.path)
    first = Recording.open(settings, path, SystemClock(), None)
    first.commit_rest()
    first.close()
    whole = path.read_bytes()
    damaged = whole[:4096] + b"\x00" * 4096 + whole[8192:]
    path.write_bytes(damaged)

    second = Recording.open(settings, path, SystemClock(), None)
    second.commit_rest()
    second.close()

    kept = [one for one in tmp_path.iterdir() if ".damaged-" in one.name]
    assert [one.read_bytes() for one in kept] == [damaged]
    assert "a new one is begun" in caplog.text
    reader = RecordReader.open(path)
    try:
        assert "record_damaged" in [event.kind for event in reader.events()]
    finally:
        reader.close()
