"""Kill -9 of the writer at random instants: what it announced is there, whole, each time it comes back."""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import time
from pathlib import Path

import store_load

from loggerd.store.record import RecordWriter

SEED = int(os.environ.get("LOGGERD_TEST_SEED", random.SystemRandom().randrange(10**6)))
KILLS = 100


def go_on(path: str, ack: str) -> None:
    """A writer that takes up the record where it stands and works until it is killed."""
    writer = RecordWriter.open(Path(path))
    last = writer.last_mono_ms(1)
    first = 0 if last is None else last // store_load.COMMIT_MS + 1
    # An hour that was complete when the last one was killed may still have to be sealed.
    writer.seal(1, first * store_load.COMMIT_MS)
    store_load.run(writer, first, 10**6, os.open(ack, os.O_WRONLY | os.O_APPEND))


def test_no_kill_loses_what_was_announced_as_stored(tmp_path: Path) -> None:
    print(f"seed {SEED}")
    rng = random.Random(SEED)
    path, ack = tmp_path / "record.sqlite", tmp_path / "ack"
    ack.touch()
    with_names = RecordWriter.open(path)
    store_load.prepare(with_names)
    with_names.close()
    starter = multiprocessing.get_context("forkserver")
    starter.set_forkserver_preload(["loggerd.store.record", "store_load"])
    for _ in range(KILLS):
        process = starter.Process(target=go_on, args=(str(path), str(ack)))
        process.start()
        # Work has begun when something new is announced; then the instant is random.
        size = ack.stat().st_size
        while ack.stat().st_size == size and process.is_alive():
            time.sleep(0.001)
        time.sleep(rng.uniform(0, 0.03))
        assert process.pid is not None
        os.kill(process.pid, signal.SIGKILL)
        process.join()
        assert process.exitcode == -signal.SIGKILL
        process.close()
    announced = [int(line.split()[1]) for line in ack.read_text().splitlines()]
    # A kill between a commit and its announcement leaves a gap here, never a repetition.
    assert announced == sorted(set(announced))
    assert len(announced) >= KILLS
    last = announced[-1] + 1
    RecordWriter.open(path).close()
    assert store_load.Expected(last + 2).judge(path, last) == ""
    print(f"{KILLS} kills, {last} commits")
