"""Errors of the disk at the n-th call: never a false announcement, and the record comes back whole."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
import store_load

from loggerd.errors import StoreError, StoreFull
from loggerd.store.record import RecordWriter

COMMITS = 25

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(shutil.which("strace") is None, reason="needs strace"),
]


def run_with_fault(folder: Path, fault: str) -> tuple[int, str]:
    """Runs the load with one kind of call failing; returns the number of announced commits and what it said."""
    inject = ["strace", "-f", "-qq", "-o", "/dev/null", "-e", f"inject={fault}"]
    program = [sys.executable, str(Path(store_load.__file__)), str(folder / "record.sqlite"), str(folder / "ack")]
    done = subprocess.run(
        [*inject, *program, str(COMMITS), "FULL"], check=False, capture_output=True, text=True, timeout=60
    )
    acks = (folder / "ack").read_text().split() if (folder / "ack").exists() else []
    return max(acks.count("ack") - 1, 0), done.stderr


@pytest.mark.parametrize("error", ["EIO", "ENOSPC"])
@pytest.mark.parametrize("call", ["pwrite64", "fdatasync"])
def test_disk_error_is_told_and_nothing_announced_is_lost(tmp_path: Path, call: str, error: str) -> None:
    seen: Counter[str] = Counter()
    last = 400 if call == "pwrite64" else 40
    for number, when in enumerate(range(1, last, last // 10)):
        folder = tmp_path / str(number)
        folder.mkdir()
        announced, said = run_with_fault(folder, f"{call}:error={error}:when={when}+")
        if "Operation not permitted" in said:
            pytest.skip("strace may not trace here")
        kinds = [kind.__name__ for kind in (StoreFull, StoreError) if kind.__name__ in said]
        assert kinds or announced == COMMITS, said
        seen[kinds[0] if kinds else "untouched"] += 1
        path = folder / "record.sqlite"
        RecordWriter.open(path).close()
        if (folder / "ack").exists():
            assert store_load.Expected(COMMITS).judge(path, announced) == "", f"{call} {when}"
    assert seen["StoreFull" if error == "ENOSPC" and call == "pwrite64" else "StoreError"] >= 8, seen


def test_after_a_disk_error_the_writer_wants_to_be_opened_anew(tmp_path: Path) -> None:
    writer = RecordWriter.open(tmp_path / "record.sqlite")
    store_load.prepare(writer)
    writer._broken = "record.sqlite: the disk reported an error."
    with pytest.raises(StoreError, match="opened anew"):
        writer.commit(store_load.commit_of(0))
    writer.close()
