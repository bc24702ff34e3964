"""A wrong wall clock: never set, set while reading, stepped, and wrong at a start. Sums go by the monotonic clock."""

from __future__ import annotations

import asyncio
import os
import signal
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from quick_bank import QuickBank
from quick_site import one_bank, settings_of
from record_judge import blocks_of, judge_caught_up
from running_service import WALL_MS, SettableClock, recording_of, running
from service_process import ServiceProcess

from loggerd.analysis.axis import SessionAxis
from loggerd.analysis.fold import BankFold
from loggerd.ledger_view import LedgerView, view_ledger
from loggerd.model.ledger import Entry, LedgerName
from loggerd.model.marks import Mark
from loggerd.model.scan import ClockState
from loggerd.plans import axes_of, plan_of
from loggerd.service import Service
from loggerd.settings.site import SiteSettings
from loggerd.store.record import RecordEvent, RecordReader

SPEED = 4
HOUR_MS, DAY_MS = 3_600_000, 86_400_000
FAKETIME = Path("/usr/lib/x86_64-linux-gnu/faketime/libfaketime.so.1")
CACHED_SECONDS = 1


async def read_for(service: Service, milliseconds: int) -> None:
    """Let the service read for so long by its own clock."""
    recording = recording_of(service)
    clock = recording._clock
    await clock.sleep_until(clock.mono_ms() + milliseconds)


def events_of(settings: SiteSettings) -> list[RecordEvent]:
    reader = RecordReader.open(Path(settings.record.path))
    try:
        return reader.events()
    finally:
        reader.close()


def axes(settings: SiteSettings) -> dict[int, SessionAxis]:
    reader = RecordReader.open(Path(settings.record.path))
    try:
        return axes_of(reader.sessions())
    finally:
        reader.close()


def as_by_a_right_clock(settings: SiteSettings, right_wall_ms: int) -> list[Entry]:
    """The ledgers that the readings of the one session give if the wall clock had been right all the time."""
    reader = RecordReader.open(Path(settings.record.path))
    try:
        sessions = reader.sessions()
        fold = BankFold(plan_of(settings, "house", reader.series(), sessions, reader.revisions("house")))
        offset = right_wall_ms - sessions[0].began_mono_ms
        axis = replace(axes_of(sessions)[sessions[0].id], offset_ms=offset, correction_ms=0)
        entries: list[Entry] = []
        for window in reader.windows("house", None):
            blocks = [
                replace(one, wall_minus_mono_ms=np.full(len(one), offset), clock=np.zeros(len(one), dtype=np.int64))
                for one in window.blocks
            ]
            entries += fold.push(axis, blocks).entries
    finally:
        reader.close()
    return entries + list(fold.view().entries)


def of_phases(entries: Sequence[Entry]) -> list[Entry]:
    return [entry for entry in entries if entry.ledger is LedgerName.PHASES]


def figures(entries: Sequence[Entry]) -> list[str]:
    return sorted(repr((entry.ledger, entry.kind, entry.complete, entry.figures)) for entry in entries)


def judge_sums_and_times(settings: SiteSettings, right_wall_ms: int) -> LedgerView:
    """Figures are those of a right clock, and so are the times shown, to a second."""
    judge_caught_up(settings, "house")
    view = view_ledger(settings, "house")
    right = as_by_a_right_clock(settings, right_wall_ms)
    assert figures(view.entries) == figures(right)
    shown = [view.shown_ms(entry.start) for entry in of_phases(view.entries)]
    assert len(shown) > 4
    for at_ms, entry in zip(shown, of_phases(right), strict=True):
        assert abs(at_ms - entry.start.at_ms) < 1000
    return view


async def test_a_clock_that_is_set_only_later(tmp_path: Path) -> None:
    clock = SettableClock(1_000, SPEED)
    clock.said = ClockState.NOT_SET
    async with QuickBank(step_seconds=1.2 / SPEED) as bank:
        settings = settings_of(one_bank(tmp_path, bank.port, commit_seconds=1, poll_seconds=0.2))
        async with running(settings, clock) as service:
            await read_for(service, 10_000)
            clock.step(WALL_MS - 1_000)
            clock.said = ClockState.SET
            await read_for(service, 10_000)
    view = judge_sums_and_times(settings, WALL_MS)
    (event,) = [event for event in events_of(settings) if event.kind == "clock_step"]
    assert "forward" in event.text
    marked = [span for span in view.marks if Mark.CLOCK_NOT_SET in Mark(span.mark)]
    assert {span.channel for span in marked} == {"shunt"}
    blocks = blocks_of(tmp_path / "record.sqlite", ("house",))
    unset = sum(int((block.clock == ClockState.NOT_SET).sum()) for block in blocks)
    assert unset > 20
    assert sum(span.readings for span in marked) == unset


@pytest.mark.parametrize("step_ms", [-HOUR_MS, DAY_MS, -3 * DAY_MS])
async def test_a_step_while_reading_changes_no_figure(tmp_path: Path, step_ms: int) -> None:
    clock = SettableClock(WALL_MS - step_ms, SPEED)
    async with QuickBank(step_seconds=1.2 / SPEED) as bank:
        settings = settings_of(one_bank(tmp_path, bank.port, commit_seconds=1, poll_seconds=0.2))
        async with running(settings, clock) as service:
            await read_for(service, 10_000)
            clock.step(step_ms)
            await read_for(service, 10_000)
    judge_sums_and_times(settings, WALL_MS)
    (event,) = [event for event in events_of(settings) if event.kind == "clock_step"]
    assert ("forward" if step_ms > 0 else "back") in event.text
    (block,) = blocks_of(tmp_path / "record.sqlite", ("house",))
    assert len(np.unique(block.wall_minus_mono_ms // 1000)) <= 4, "the record keeps the wall clock as it stood"
    assert abs(int(block.wall_minus_mono_ms[-1] - block.wall_minus_mono_ms[0]) - step_ms) < 1000


async def test_a_session_that_starts_with_an_earlier_time_comes_after_the_former(tmp_path: Path) -> None:
    async with QuickBank(step_seconds=1.2 / SPEED) as bank:
        settings = settings_of(one_bank(tmp_path, bank.port, commit_seconds=1, poll_seconds=0.2))
        async with running(settings, SettableClock(WALL_MS, SPEED)) as service:
            await read_for(service, 10_000)
        async with running(settings, SettableClock(WALL_MS - 2 * DAY_MS, SPEED)) as service:
            await read_for(service, 10_000)
    first, second = axes(settings).values()
    assert not first.gap_unknown
    assert second.gap_unknown
    judge_caught_up(settings, "house")
    view = view_ledger(settings, "house")
    phases = of_phases(view.entries)
    assert {phase.start.session for phase in phases} == {1, 2}
    assert all(phase.start.session == phase.end.session for phase in phases), "nothing is told of the unknown pause"
    starts = [phase.start.at_ms for phase in phases]
    assert starts == sorted(starts)
    # The second clock said that it was set, so its own times are shown, though they are before the first.
    assert abs(view.shown_ms(phases[-1].start) - (WALL_MS - 2 * DAY_MS)) < 20_000


async def test_a_known_pause_between_sessions_is_known_only_with_clocks_that_were_set(tmp_path: Path) -> None:
    async with QuickBank(step_seconds=1.2 / SPEED) as bank:
        settings = settings_of(one_bank(tmp_path, bank.port, commit_seconds=1, poll_seconds=0.2))
        for number, said in enumerate((ClockState.SET, ClockState.SET, ClockState.NOT_SET, ClockState.SET)):
            clock = SettableClock(WALL_MS + number * HOUR_MS, SPEED)
            clock.said = said
            async with running(settings, clock) as service:
                await read_for(service, 4_000)
    assert [axis.gap_unknown for axis in axes(settings).values()] == [False, False, True, True]
    judge_caught_up(settings, "house")


@pytest.mark.skipif(not FAKETIME.exists(), reason="needs libfaketime")
async def test_the_real_service_under_a_wall_clock_that_is_set_back_and_forth(tmp_path: Path) -> None:
    stamp = tmp_path / "faketime"

    def set_clock(text: str) -> None:
        stamp.with_suffix(".new").write_text(text)
        stamp.with_suffix(".new").replace(stamp)

    set_clock("-20000d")
    environment = {
        "LD_PRELOAD": str(FAKETIME),
        "FAKETIME_TIMESTAMP_FILE": str(stamp),
        # Not without a cache: libfaketime then takes the file apart at every call, in every thread, and one thread sees
        # what another has half set (seen: the true time for one reading).
        "FAKETIME_CACHE_DURATION": str(CACHED_SECONDS),
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",
    }
    async with QuickBank() as bank:
        settings = one_bank(tmp_path, bank.port)
        async with ServiceProcess(settings, tmp_path / "ack") as service:
            await service.start(environment)
            for text in ("+0", "-3600s", "+1d", "+0"):
                await service.announced(service.said.count(b"\n") + 8)
                set_clock(text)
                # Until then libfaketime may not have looked at the file, and would never see this one.
                await asyncio.sleep(2 * CACHED_SECONDS)
            await service.announced(service.said.count(b"\n") + 8)
            code, said = await service.finish(signal.SIGTERM)
    assert code == 0, said.decode()
    steps = [event.text for event in events_of(settings_of(settings)) if event.kind == "clock_step"]
    assert [text.split()[5] for text in steps] == ["forward", "back", "forward", "back"], steps
    judge_caught_up(settings_of(settings), "house")
    blocks = blocks_of(tmp_path / "record.sqlite", ("house",))
    mono = np.concatenate([block.mono_ms for block in blocks])
    assert bool((np.diff(mono) > 0).all())
    assert int(mono[-1] - mono[0]) < 600_000
    now = time.time_ns() // 1_000_000
    assert abs(int(mono[-1] + blocks[-1].wall_minus_mono_ms[-1]) - now) < 600_000
    assert os.environ.get("LD_PRELOAD") is None
