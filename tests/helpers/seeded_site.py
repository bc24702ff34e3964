"""A site with a past in its record: readings, ledgers, findings, alarms and a log book, for tests of what is shown."""

from __future__ import annotations

import asyncio
import atexit
import shutil
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

from loggerd.clock import AcceleratedClock
from loggerd.demonstration import DAY_MS, write_history
from loggerd.inbox import new_uid
from loggerd.model.log_book import LogEntry
from loggerd.recording import Recording
from loggerd.settings.load import load_settings
from loggerd.settings.site import SiteSettings
from loggerd.taking_in import LOG_ENTRY, hand_in, log_body
from simulators.faults import BankFault, Fault
from simulators.scenarios import SCENARIOS
from simulators.settings_text import settings_text
from simulators.site import SimulatedSite

END_MS = 1_790_000_000_000
"""21 September 2026, 14:13 UTC: when the past ends."""
WEAK_BLOCK = 5
"""The block of the cabin's bank that has two fifths of its capacity from the third day on."""


def weak_block() -> BankFault:
    return BankFault("weak_block", "house", 3 * 86_400.0, block=WEAK_BLOCK, size=0.4)


def make_site(
    folder: Path, scenario: str = "cabin", days: int = 30, faults: Sequence[Fault] = (), more: str = ""
) -> SiteSettings:
    """Write site.toml and record.sqlite into a folder: so many days up to END_MS, folded, alarms looked at."""
    chosen = SCENARIOS[scenario](0)
    site = SimulatedSite(chosen, 1, faults, END_MS - days * DAY_MS)
    path = folder / "site.toml"

    async def described() -> str:
        await site.start(AcceleratedClock(site.start_ms, 1))
        try:
            return settings_text(chosen, {"path": "record.sqlite", "commit_seconds": 60})
        finally:
            await site.stop()

    # In a thread: a test may have a loop of its own, as those with a browser do.
    with ThreadPoolExecutor(1) as beside:
        text = beside.submit(lambda: asyncio.run(described())).result()
    path.write_text(text + more, encoding="utf-8")
    settings = load_settings(path)
    write_history(site, settings, END_MS, lambda _: None)
    look_at(settings)
    return settings


def look_at(settings: SiteSettings, wall_ms: int = END_MS, looks: int = 3) -> None:
    """What the service does with a record: folds what is behind, looks at the alarms, some hours long."""
    clock = AcceleratedClock(wall_ms, 1)
    path = Path(settings.record.path)
    recording = Recording.open(settings, path, clock, None)
    try:
        while recording.behind:
            recording.catch_up_some()
        for _ in range(looks):
            recording.commit()
    finally:
        recording.commit_rest()
        recording.close()


def tell(settings: SiteSettings, entry: LogEntry) -> None:
    """Put an entry into the log book."""
    uid = new_uid()
    hand_in(settings, LOG_ENTRY, uid, log_body(entry), AcceleratedClock(END_MS, 1), 5.0)


@cache
def _template(days: int) -> Path:
    folder = Path(mkdtemp(prefix="loggerd-seeded-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    make_site(folder, "cabin", days, (weak_block(),))
    return folder


def weak_cabin(folder: Path, days: int = 30) -> SiteSettings:
    """The cabin with its weak block: made once for a whole run of tests, copied for each."""
    for name in ("site.toml", "record.sqlite"):
        shutil.copy(_template(days) / name, folder / name)
    return load_settings(folder / "site.toml")
