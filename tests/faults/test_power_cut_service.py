"""Power cuts of the whole service: crash states of a run under load, and proof that the judge can see a loss."""

from __future__ import annotations

import asyncio
import os
import random
import shutil
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
import service_load
from crash_states import CrashState, CrashStates, tracing
from quick_bank import QuickBank
from quick_site import settings_of, two_banks
from record_judge import announced, blocks_of, judge_caught_up

from loggerd.errors import StoreError
from loggerd.model.scan import ScanBlock
from loggerd.settings.site import SiteSettings
from loggerd.store.record import RecordReader, RecordWriter

SEED = int(os.environ.get("LOGGERD_TEST_SEED", random.SystemRandom().randrange(10**6)))
STATES = 10_000
RANDOM_PER_CALL = 3
"""States with a random part of what is not durable, at each call that changes something."""
LEDGERS_OF_ONE_IN = 100
SPEED = 900
"""Simulated seconds in a second: an hour is over, and sealed, every four seconds."""
BANKS = ("house", "boat")

pytestmark = [
    pytest.mark.long,
    pytest.mark.timeout(900),
    pytest.mark.skipif(shutil.which("strace") is None, reason="needs strace"),
]


async def recorded(tmp_path: Path, synchronous: str, runs: int, announcements: int) -> tuple[CrashStates, Path]:
    """Run the service under strace until it has announced so much; its crash states, and its record in the end."""
    folder = tmp_path / "site"
    folder.mkdir()
    ack, trace = tmp_path / "ack", tmp_path / "trace"
    loop = asyncio.get_running_loop()
    async with QuickBank(loop.time) as first, QuickBank(loop.time) as second:
        settings = two_banks(
            tmp_path,
            [first.port, second.port],
            commit_seconds=0.15 * SPEED,
            poll_seconds=0.05 * SPEED,
            dwell_seconds=SPEED,
            rated_amp_hours=50 * SPEED,
        )
        settings.write_text(settings.read_text().replace('"record.sqlite"', '"site/record.sqlite"'))
        program = [sys.executable, service_load.__file__, str(settings), str(ack), synchronous]
        command = tracing([*program, str(runs), str(announcements), str(SPEED)], trace)
        process = await asyncio.create_subprocess_exec(*command, stderr=asyncio.subprocess.PIPE)
        _, said = await process.communicate()
    if b"ptrace" in said:
        pytest.skip(f"strace may not trace here ({said.decode()})")
    assert process.returncode == 0, said.decode()
    return CrashStates(trace, folder, ack), settings


class Judge:
    """Knows every reading of the run, and compares what a state of the disk gives with it."""

    def __init__(self, settings: SiteSettings, state_settings: SiteSettings) -> None:
        self._settings = state_settings
        self._path = Path(state_settings.record.path)
        self._truth: dict[tuple[int, str], ScanBlock] = {}
        parts: dict[tuple[int, str], list[ScanBlock]] = {}
        for block in blocks_of(Path(settings.record.path), BANKS):
            parts.setdefault((block.boot, block.device), []).append(block)
        for key, blocks in parts.items():
            self._truth[key] = joined(blocks)
        self._seen: tuple[bytes, dict[tuple[int, str], set[int]]] = (b"", {})
        self.ledger_entries = 0

    def judge(self, state: CrashState, with_ledgers: bool) -> str:
        """What is wrong once the service has come back on this state; empty when nothing is."""
        if self._seen[0] != state.acknowledged:
            self._seen = (state.acknowledged, announced(state.acknowledged))
        try:
            RecordWriter.open(self._path).close()
            stored = blocks_of(self._path, BANKS)
            fault = self._readings(stored)
        except StoreError as error:
            return f"{type(error).__name__}: {error}"
        if not fault and with_ledgers and stored:
            for bank in {bank for block in stored for bank in BANKS if block.device.startswith(bank)}:
                self.ledger_entries += judge_caught_up(self._settings, bank).count()
        return fault

    def _readings(self, stored: list[ScanBlock]) -> str:
        found: dict[tuple[int, str], list[ScanBlock]] = {}
        for block in stored:
            found.setdefault((block.boot, block.device), []).append(block)
        for key, times in self._seen[1].items():
            there = {time for block in found.get(key, []) for time in block.mono_ms.tolist()}
            if not times <= there:
                return f"{len(times - there)} readings announced and lost"
        for key, blocks in found.items():
            if not same(self._truth.get(key), joined(blocks)):
                return "other readings than those that were taken"
        return ""


def joined(blocks: list[ScanBlock]) -> ScanBlock:
    first = blocks[0]
    columns = zip(*[(one.mono_ms, one.wall_minus_mono_ms, one.clock, *one.counts) for one in blocks], strict=True)
    mono, offset, clock, *counts = (np.concatenate(column) for column in columns)
    return ScanBlock(first.device, first.boot, first.series, mono, offset, clock, tuple(counts))


def same(truth: ScanBlock | None, stored: ScanBlock) -> bool:
    """Whether the stored readings are the first ones of the truth, value by value."""
    if truth is None or len(stored) > len(truth):
        return False
    head = truth.slice(0, len(stored))
    pairs = [(head.mono_ms, stored.mono_ms), (head.wall_minus_mono_ms, stored.wall_minus_mono_ms)]
    pairs += zip(head.counts, stored.counts, strict=True)
    return all(np.array_equal(one, other) for one, other in pairs)


def explore(states: CrashStates, judge: Judge, folder: Path) -> tuple[int, Counter[str]]:
    faults: Counter[str] = Counter()
    count = 0
    for state in states.states(random.Random(SEED), RANDOM_PER_CALL):
        state.write_to(folder)
        if fault := judge.judge(state, count % LEDGERS_OF_ONE_IN == 0):
            faults[fault] += 1
        count += 1
    return count, faults


def sealed_hours(settings: Path) -> int:
    reader = RecordReader.open(Path(settings_of(settings).record.path))
    try:
        return reader.health().sealed_blocks
    finally:
        reader.close()


def state_settings(tmp_path: Path, settings: Path) -> tuple[Path, SiteSettings]:
    """The folder that states are written to, and the site's settings with the record there."""
    folder = tmp_path / "state"
    folder.mkdir()
    copy = settings.with_name("state.toml")
    copy.write_text(settings.read_text().replace("site/record.sqlite", "state/record.sqlite"))
    return folder, settings_of(copy)


async def test_no_power_cut_loses_what_the_service_announced(tmp_path: Path) -> None:
    print(f"seed {SEED}")
    states, settings = await recorded(tmp_path, "FULL", 3, 240)
    assert sealed_hours(settings) > 2, "a run in which no hour was sealed is not the whole service"
    folder, other = state_settings(tmp_path, settings)
    judge = Judge(settings_of(settings), other)
    count, faults = explore(states, judge, folder)
    print(f"{count} states, {sum(faults.values())} with loss or damage; {judge.ledger_entries} ledger entries compared")
    assert not faults, faults.most_common(3)
    assert count >= STATES
    assert judge.ledger_entries > count / LEDGERS_OF_ONE_IN


async def test_judge_sees_the_loss_when_durability_is_switched_off(tmp_path: Path) -> None:
    print(f"seed {SEED}")
    states, settings = await recorded(tmp_path, "OFF", 1, 60)
    folder, other = state_settings(tmp_path, settings)
    count, faults = explore(states, Judge(settings_of(settings), other), folder)
    print(f"{count} states, {sum(faults.values())} with loss or damage")
    assert count > 200
    assert sum(faults.values()) > count // 10
