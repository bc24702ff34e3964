"""A writer under load, for tests that end it at any instant: every commit can be made again from its number.

Commit k holds six scans a minute apart of two devices, one ledger entry, one span of marks, one event and the
state of the fold; ten commits are an hour, after which the hour is sealed. What the writer has announced as
stored it says with a line "ack k" on a descriptor, after commit() has returned.

As a program: python store_load.py RECORD ACK_FILE COMMITS SYNCHRONOUS
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from store_samples import HOUR_MS, WALL_MS, block, entry, mark, readings_of, results, series

from loggerd.model.ledger import LedgerName
from loggerd.model.scan import ScanBlock
from loggerd.store.record import BankResults, Commit, Position, RecordEvent, RecordReader, RecordWriter

COMMIT_MS = 360_000
SCANS = 6
SHUNT, TAPS = (1, 2), (3, 4)


def blocks_of(number: int) -> tuple[ScanBlock, ScanBlock]:
    start = number * COMMIT_MS
    times = [start + 60_000 * i + 17 for i in range(SCANS)]
    return block("shunt", 1, SHUNT, times), block("taps", 1, TAPS, [t + 250 for t in times])


def commit_of(number: int) -> Commit:
    shunt, taps = blocks_of(number)
    wall = WALL_MS + number * COMMIT_MS
    found = results(entry(1, wall, wall + COMMIT_MS, number * 0.25), marks=(mark(1, wall, wall + 5),))
    state = f"state {number} ".encode() * (1 + number % 300)
    last = Position(1, int(taps.mono_ms[-1]))
    return Commit(
        (shunt, taps),
        (BankResults("house", 1, found, last, state),),
        (RecordEvent(1, last.mono_ms, wall, "number", "test", str(number)),),
    )


def prepare(writer: RecordWriter) -> None:
    """Names of the load, once: session 1, series 1 to 4, revision 1."""
    writer.begin_session("live", WALL_MS, 0, "load")
    channels = ("amps", "volts", "block_1_volts", "block_2_volts")
    devices = ("shunt", "shunt", "taps", "taps")
    ids = writer.register_series([series(d, c) for d, c in zip(devices, channels, strict=True)])
    assert ids == SHUNT + TAPS
    assert writer.set_revision("house", "one", "{}", "first", WALL_MS) == 1


def run(writer: RecordWriter, first: int, count: int, ack: int) -> None:
    """Commits and announces, seals each hour, checkpoints now and then."""
    for number in range(first, first + count):
        writer.commit(commit_of(number))
        os.write(ack, f"ack {number}\n".encode())
        if number % 10 == 9:
            writer.seal(1, (number + 1) * COMMIT_MS)
        if number % 37 == 36:
            writer.checkpoint_wal()


class Expected:
    """The readings of the first commits, made once and compared many times."""

    def __init__(self, commits: int) -> None:
        self._readings: list[dict[tuple[int, str, int, int], tuple[int, int, int]]] = [
            readings_of(blocks_of(number)) for number in range(commits)
        ]

    def judge(self, path: Path, acknowledged: int) -> str:
        """What is wrong with the record, empty when all is well: a whole number of commits, no announced one
        missing.
        """
        reader = RecordReader.open(path)
        try:
            windows = list(reader.windows("house", None))
            if any(window.damaged for window in windows):
                return "damaged readings"
            stored = readings_of(b for window in windows for b in window.blocks)
            count, rest = divmod(len(stored), len(self._readings[0]) if self._readings else 1)
            if rest or count < acknowledged:
                return f"{acknowledged} commits announced, {count} stored and {rest} readings"
            expected = {key: value for part in self._readings[:count] for key, value in part.items()}
            if stored != expected:
                return "other readings than those written"
            return self._judge_results(reader, count)
        finally:
            reader.close()

    @staticmethod
    def _judge_results(reader: RecordReader, count: int) -> str:
        figures = [e.entry.figure("amp_hours").value for e in reader.entries("house", LedgerName.CYCLES)]
        if figures != [number * 0.25 for number in range(count)]:
            return f"{count} commits stored, ledger has {len(figures)} entries"
        if len(list(reader.marks("house"))) != count or len(reader.events()) != count:
            return "marks or events differ from the readings"
        checkpoint = reader.checkpoint("house", 1)
        if count == 0:
            return "" if checkpoint is None else "a state without readings"
        last = commit_of(count - 1).results[0]
        return "" if checkpoint == (last.position, last.state) else "the state is not that of the last commit"


def main() -> None:
    record, ack_file, commits, synchronous = sys.argv[1:]
    ack = os.open(ack_file, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    writer = RecordWriter.open(Path(record), synchronous=synchronous)
    prepare(writer)
    os.write(ack, b"ack ready\n")
    run(writer, 0, int(commits), ack)
    writer.close()


if __name__ == "__main__":
    main()

__all__ = ["HOUR_MS", "Expected", "blocks_of", "commit_of", "prepare", "run"]
