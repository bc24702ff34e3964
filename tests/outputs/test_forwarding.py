"""Ledger entries leave the record for a real time-series server, each once, from a cursor that may be lost."""

from __future__ import annotations

from pathlib import Path

import pytest
from victoria import RealServer, needs_server

from loggerd.errors import DeliveryLater, DeliveryRefused
from loggerd.forwarding import forward, read_token
from loggerd.model.ledger import Entry, Figure, Instant, LedgerName
from loggerd.model.results import FoldResults
from loggerd.settings.load import load_settings
from loggerd.settings.site import TimeSeriesSettings
from loggerd.store.record import BankResults, Commit, Position, RecordWriter

START_MS = 1_777_636_800_000  # 2026-05-01T12:00:00Z
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
[time_series]
url = "{url}"
bucket = "hut"
"""


def _settings(folder: Path, url: str):
    path = folder / "site.toml"
    path.write_text(SITE.format(url=url))
    return load_settings(path)


def _store(folder: Path, count: int, first: int = 0) -> None:
    """A record with so many hourly cycles of 40, 41, 42 ... Ah."""
    writer = RecordWriter.open(folder / "record.sqlite")
    try:
        session = writer.begin_session("live", START_MS, 0, "")
        revision = writer.set_revision("house", "f", '{"series": []}', "begun", START_MS)
        entries = tuple(
            Entry(
                LedgerName.CYCLES,
                "pair",
                Instant(session, START_MS + number * 3_600_000),
                Instant(session, START_MS + number * 3_600_000 + 1_800_000),
                True,
                (Figure("discharge_amp_hours", 40.0 + number, 39.0 + number, 41.0 + number),),
            )
            for number in range(first, first + count)
        )
        results = BankResults("house", revision, FoldResults(entries), Position(session, 1), b"{}")
        writer.commit(Commit(results=(results,)))
    finally:
        writer.close()


@needs_server
def test_every_entry_arrives_once_also_when_the_cursor_is_lost(tmp_path: Path, real_server: RealServer) -> None:
    settings = _settings(tmp_path, real_server.url)
    _store(tmp_path, 5)
    assert forward(settings) == 5
    assert forward(settings) == 0
    _store(tmp_path, 2, first=5)
    assert forward(settings) == 2
    (tmp_path / "record.sqlite.sent").unlink()
    assert forward(settings) == 7

    points = real_server.points("loggerd_cycles_discharge_amp_hours")
    assert points == {START_MS + n * 3_600_000: 40.0 + n for n in range(7)}


def test_a_server_that_is_down_costs_nothing_and_is_told(tmp_path: Path) -> None:
    settings = _settings(tmp_path, "http://127.0.0.1:9")
    _store(tmp_path, 1)
    with pytest.raises(DeliveryLater):
        forward(settings)
    assert not (tmp_path / "record.sqlite.sent").exists()


def test_the_token_comes_from_where_it_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "token").write_text("from-a-file\n")
    monkeypatch.setenv("HUT_TOKEN", "from-the-environment")
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    common = {"url": "http://127.0.0.1:9", "bucket": "hut"}

    assert read_token(TimeSeriesSettings(**common, token_file=str(tmp_path / "token"))) == "from-a-file"
    assert read_token(TimeSeriesSettings(**common, token_env="HUT_TOKEN")) == "from-the-environment"
    assert read_token(TimeSeriesSettings(**common, token_credential="token")) == "from-a-file"
    assert read_token(TimeSeriesSettings(**common)) == ""
    with pytest.raises(DeliveryRefused, match="no NO_SUCH_TOKEN"):
        read_token(TimeSeriesSettings(**common, token_env="NO_SUCH_TOKEN"))
    with pytest.raises(DeliveryRefused, match="cannot be read"):
        read_token(TimeSeriesSettings(**common, token_file=str(tmp_path / "missing")))
