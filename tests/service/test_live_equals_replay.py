"""What the live service stored is what the record gives when it is folded anew, to the last bit."""

from __future__ import annotations

import asyncio
import re
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from itertools import pairwise
from pathlib import Path

import pytest
from quick_bank import QuickBank
from quick_site import settings_of, two_banks
from record_judge import judge_ledger, stored_entries
from running_service import SettableClock, recording_of, running
from until import until

from loggerd.folding import Follower
from loggerd.ledger_view import view_ledger
from loggerd.model.ledger import LedgerName
from loggerd.settings.site import SiteSettings
from loggerd.store.record import RecordReader, RecordWriter
from simulators.scenarios import SCENARIOS
from simulators.settings_text import settings_text
from simulators.site import SimulatedSite

MIDNIGHT_MS = 1_778_889_600_000  # 2026-05-16T00:00Z
HOUR_MS = 3_600_000
SPEED = 900.0


@asynccontextmanager
async def simulated(name: str, folder: Path, clock: SettableClock) -> AsyncIterator[Path]:
    """A simulated site on its real wires, polled at a pace that the acceleration allows; gives its settings."""
    scenario = SCENARIOS[name](0)
    site = SimulatedSite(scenario, 3, (), clock.wall_ms())
    await site.start(clock)
    try:
        path = folder / "site.toml"
        text = settings_text(scenario, {"path": "record.sqlite", "commit_seconds": 180})
        path.write_text(re.sub(r"(?m)^poll_seconds = .*$", "poll_seconds = 30", text), encoding="utf-8")
        yield path
    finally:
        await site.stop()


def fold_anew(settings: SiteSettings, bank: str) -> int:
    """A new revision over the whole record, as recomputing does it; returns its number."""
    path = Path(settings.record.path)
    writer = RecordWriter.open(path)
    try:
        follower = Follower(settings, path, writer, 0, "folded anew", anew=True)
        assert follower.catch_up()
        return next(one.revision for one in follower.banks if one.name == bank)
    finally:
        writer.close()


def cycles_json(settings: Path, bank: str) -> str:
    words = [sys.executable, "-m", "loggerd", "cycles", str(settings), "--bank", bank, "--json"]
    return subprocess.run(words, check=True, capture_output=True, text=True).stdout


# A cart stands still for hours around noon: its run goes on until the afternoon's drives are in the ledger too.
@pytest.mark.long
@pytest.mark.parametrize(("name", "bank", "begin", "hours"), [("golf", "cart_2", 8, 12), ("cabin", "house", 3, 6)])
async def test_live_over_the_wires_equals_folding_the_record(
    tmp_path: Path, name: str, bank: str, begin: int, hours: int
) -> None:
    clock = SettableClock(MIDNIGHT_MS + begin * HOUR_MS, SPEED)
    until_ms = clock.mono_ms() + hours * HOUR_MS
    async with simulated(name, tmp_path, clock) as path:
        settings = settings_of(path)
        async with running(settings, clock) as service:
            await clock.sleep_until(until_ms)
            recording = recording_of(service)
            await until(lambda: not recording.behind)
            scans = {line.devices[0]: [one.scans for one in line.health.values()] for line in service.lines}
    assert all(count > 100 for counts in scans.values() for count in counts), scans
    live = stored_entries(Path(settings.record.path), bank)
    assert len(live[LedgerName.PHASES]) > 3
    told, view = cycles_json(path, bank), view_ledger(settings, bank)
    judge_ledger(settings, bank)
    (first,) = view.revisions
    revision = fold_anew(settings, bank)
    assert revision > first.id
    assert repr(stored_entries(Path(settings.record.path), bank, revision)) == repr(live)
    assert repr(stored_entries(Path(settings.record.path), bank, first.id)) == repr(live)
    assert cycles_json(path, bank) == told
    assert repr(view_ledger(settings, bank).entries) == repr(view.entries)


async def test_a_look_at_the_ledger_while_the_service_writes_misses_and_doubles_nothing(tmp_path: Path) -> None:
    clock = SettableClock(speed=6)
    step = 1.2 / 6
    async with QuickBank(step_seconds=step) as first, QuickBank(step_seconds=step) as second:
        path = two_banks(tmp_path, [first.port, second.port], commit_seconds=0.6, poll_seconds=0.3)
        settings = settings_of(path)
        async with running(settings, clock):
            settled: list[str] = []
            while len(settled) < 40:
                # Beside the service, as the command does it from another process.
                view = await asyncio.to_thread(view_ledger, settings, "house")
                phases = [entry for entry in view.entries if entry.ledger is LedgerName.PHASES]
                starts = [phase.start.at_ms for phase in phases]
                assert starts == sorted(set(starts))
                assert all(one.end.at_ms <= two.start.at_ms for one, two in pairwise(phases))
                now = [repr(phase) for phase in phases if phase.complete]
                assert now[: len(settled) - 1] == settled[:-1], "what was settled stays"
                settled = now
    reader = RecordReader.open(tmp_path / "record.sqlite")
    try:
        assert len(list(reader.entries("house", LedgerName.PHASES))) >= 39
    finally:
        reader.close()
