"""Power cuts of the record: crash states of a writer under load, and proof that the judge can see a loss.

The whole service is taken through 10,000 states in test_power_cut_service; here the record alone.
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
import store_load
from crash_states import CrashStates, record

from loggerd.errors import StoreError
from loggerd.store.record import RecordWriter

SEED = int(os.environ.get("LOGGERD_TEST_SEED", random.SystemRandom().randrange(10**6)))
COMMITS = 145

pytestmark = [
    pytest.mark.long,
    pytest.mark.timeout(900),
    pytest.mark.skipif(shutil.which("strace") is None, reason="needs strace"),
]


def recorded(tmp_path: Path, synchronous: str, commits: int) -> CrashStates:
    folder = tmp_path / "site"
    folder.mkdir()
    ack, trace = tmp_path / "ack", tmp_path / "trace"
    program = str(Path(store_load.__file__))
    command = [sys.executable, program, str(folder / "record.sqlite"), str(ack), str(commits), synchronous]
    try:
        record(command, trace)
    except subprocess.CalledProcessError as error:
        pytest.skip(f"strace may not trace here ({error})")
    return CrashStates(trace, folder, ack)


def judge(state_folder: Path, expected: store_load.Expected, acknowledged: bytes) -> str:
    """What is wrong after the service has come back on this state; empty when nothing is."""
    path = state_folder / "record.sqlite"
    ready = b"ready" in acknowledged
    try:
        RecordWriter.open(path).close()
        return expected.judge(path, acknowledged.count(b"ack") - 1) if ready else ""
    except StoreError as error:
        return str(error)


def explore(
    states: CrashStates, tmp_path: Path, at_least: int, random_per_point: int, every: int
) -> tuple[int, Counter[str]]:
    folder = tmp_path / "state"
    folder.mkdir()
    expected = store_load.Expected(COMMITS)
    faults: Counter[str] = Counter()
    count = 0
    for state in states.states(random.Random(SEED), random_per_point, lambda point: point % every == 0):
        state.write_to(folder)
        count += 1
        if fault := judge(folder, expected, state.acknowledged):
            faults[fault] += 1
        if count >= at_least:
            break
    return count, faults


def test_no_power_cut_loses_what_was_announced_as_stored(tmp_path: Path) -> None:
    print(f"seed {SEED}")
    states = recorded(tmp_path, "FULL", COMMITS)
    count, faults = explore(states, tmp_path, 2_000, 2, every=5)
    print(f"{count} states, {sum(faults.values())} with loss or damage")
    assert not faults, faults.most_common(3)
    assert count == 2_000


def test_judge_sees_the_loss_when_durability_is_switched_off(tmp_path: Path) -> None:
    print(f"seed {SEED}")
    states = recorded(tmp_path, "OFF", 40)
    count, faults = explore(states, tmp_path, 600, 2, every=5)
    print(f"{count} states, {sum(faults.values())} with loss or damage")
    assert sum(faults.values()) > count // 10
