"""Files read in beside live readings, and an instrument that was exchanged: every day's cycle stays in the ledger."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from loggerd.folding import Follower
from loggerd.importing_files import import_file
from loggerd.ledger_view import LedgerView, view_ledger
from loggerd.model.ledger import LedgerName
from loggerd.model.scan import ScanBlock
from loggerd.plans import service_note
from loggerd.settings.domain import series_of
from loggerd.settings.load import load_settings
from loggerd.settings.site import SiteSettings
from loggerd.store.record import Commit, RecordWriter

DAY_MS = 86_400_000
JUNE_MS = int(datetime(2025, 6, 10, tzinfo=UTC).timestamp() * 1000)
SITE = """
[site]
name = "Hut"
timezone = "UTC"
[[bank]]
name = "house"
type = "flooded_antimony"
strings = 1
blocks_per_string = 4
cells_per_block = 6
rated_amp_hours = 200
rated_hours = 20
[[device]]
name = "{device}"
bank = "house"
poll_seconds = 60
[device.connection]
kind = "modbus_tcp"
host = "127.0.0.1"
[[device.channel]]
channel = "amps"
table = "holding"
address = 0
type = "int16"
scale = 0.01
unit = "A"
"""


def _settings(folder: Path, device: str = "shunt") -> SiteSettings:
    (folder / "site.toml").write_text(SITE.format(device=device))
    return load_settings(folder / "site.toml")


def _day() -> np.ndarray:
    """A day by the minute: 3 h out at 20 A, 3.2 h back, from 06:00 on; hundredths of an amp."""
    minute = np.arange(1440)
    return np.select([(minute > 360) & (minute <= 540), (minute > 600) & (minute <= 792)], [-2000, 2000], 0)


def _live_day(settings: SiteSettings, start_ms: int) -> None:
    """One session of the service over one day."""
    device = settings.devices[0].name
    writer = RecordWriter.open(Path(settings.record.path))
    try:
        session = writer.begin_session("live", start_ms, 1_000, service_note(settings))
        ids = writer.register_series(series_of(settings)[device])
        mono = 1_000 + np.arange(1440, dtype=np.int64) * 60_000
        offset = np.full(1440, start_ms - 1_000)
        zeros = np.zeros(1440, dtype=np.int64)
        block = ScanBlock(device, session, ids, mono, offset, zeros, (_day().astype(np.int64),))
        for first in range(0, 1440, 60):
            writer.commit(Commit((block.slice(first, first + 60),)))
        Follower(settings, Path(settings.record.path), writer, start_ms + DAY_MS, "lived").catch_up()
    finally:
        writer.close()


def _import_day(settings: SiteSettings, name: str, start_ms: int) -> None:
    path = Path(settings.record.path).parent / name
    rows = [f"{(start_ms + n * 60_000) / 1000:.0f},{hundredths / 100:.2f}" for n, hundredths in enumerate(_day())]
    path.write_text("time,amps\n" + "\n".join(rows) + "\n")
    writer = RecordWriter.open(Path(settings.record.path))
    try:
        import_file(settings, "house", str(path), None, writer, start_ms)
        Follower(settings, Path(settings.record.path), writer, start_ms + DAY_MS, f"{name} read in").catch_up()
    finally:
        writer.close()


def _days(view: LedgerView) -> list[str]:
    """The day of each cycle that moved its 60 Ah, in the order of the ledger."""
    found = []
    for entry in view.entries:
        if entry.ledger is LedgerName.CYCLES:
            assert entry.figure("discharge_amp_hours").value == pytest.approx(60.0, rel=0.003)
            assert entry.figure("charge_amp_hours").value == pytest.approx(64.0, rel=0.003)
            found.append(view.text(entry.start)[5:10])
    return found


@pytest.mark.parametrize("name", ["amps.csv", "zz-old.csv"])
def test_files_from_before_between_and_after_live_days(tmp_path: Path, name: str) -> None:
    settings = _settings(tmp_path)
    _live_day(settings, JUNE_MS)
    _live_day(settings, JUNE_MS + 5 * DAY_MS)
    _import_day(settings, name, JUNE_MS - 3 * DAY_MS)
    _import_day(settings, f"b-{name}", JUNE_MS + 2 * DAY_MS)
    _import_day(settings, f"c-{name}", JUNE_MS + 8 * DAY_MS)

    view = view_ledger(settings, "house")
    assert _days(view) == ["06-07", "06-10", "06-12", "06-15", "06-18"]
    until = view_ledger(settings, "house", until_ms=JUNE_MS + DAY_MS)
    assert _days(until) == ["06-07", "06-10"]


def test_an_exchanged_instrument_goes_on_where_the_former_ended(tmp_path: Path) -> None:
    _live_day(_settings(tmp_path), JUNE_MS)
    settings = _settings(tmp_path, "shunt new")
    _live_day(settings, JUNE_MS + DAY_MS)

    assert _days(view_ledger(settings, "house")) == ["06-10", "06-11"]
