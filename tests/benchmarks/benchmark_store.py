"""Prints what the record costs: bytes at rest, encoding, reading back, and the choice of compression.

Run: python tests/benchmarks/benchmark_store.py [--days 20]
A year is extrapolated from the days written; the stream has eight channels at 1 Hz with sensor noise.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
import tracemalloc
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "helpers"))

from store_samples import WALL_MS, series

from loggerd.model.channels import MISSING
from loggerd.model.scan import Integers, ScanBlock
from loggerd.store import codec
from loggerd.store.record import HOUR_MS, Commit, RecordReader, RecordWriter

CHANNELS = ("volts", "amps", "ambient_celsius", *(f"block_{n}_volts" for n in range(1, 6)))
AIM_NS, AIM_BYTES = 15.0, 1.0


def hour_of_counts(hour: int, channels: tuple[str, ...] = CHANNELS, n: int = 3600) -> list[Integers]:
    """One hour of a 48 V bank: 10 mV and 10 mA steps for the bank, 1 mV for blocks, 0.1 degrees; noise as sensors."""
    rng = np.random.default_rng(hour)
    t = hour * 3600 + np.arange(n)
    load = np.where((t // 1800) % 3 == 0, -1200.0, 300.0) + 200 * np.sin(t / 700.0)
    columns = []
    for name in channels:
        if name.endswith("amps"):
            values = load + rng.normal(0, 5, n)
        elif name.endswith("celsius"):
            values = 220 + 40 * np.sin(t / 13_750.0) + rng.normal(0, 0.4, n)
        elif name == "volts":
            values = 5000 + load * 0.05 + rng.normal(0, 0.7, n)
        else:
            values = 12_500 + load * 0.12 + rng.normal(0, 2.5, n)
        column = np.rint(values).astype(np.int64)
        column[rng.random(n) < 0.0005] = MISSING
        columns.append(column)
    return columns


def hours(session: int, ids: tuple[int, ...], count: int) -> Iterator[ScanBlock]:
    for hour in range(count):
        rng = np.random.default_rng(hour + 10**6)
        stamps = hour * HOUR_MS + np.arange(3600) * 1000 + rng.integers(0, 4, 3600)
        same = np.full(3600, WALL_MS, dtype=np.int64)
        yield ScanBlock("shunt", session, ids, stamps, same, np.zeros(3600, np.int64), tuple(hour_of_counts(hour)))


def compression_table() -> None:
    raw = [codec.pack_column(column) for hour in range(5) for column in hour_of_counts(hour)]
    readings = 5 * 3600 * len(CHANNELS)
    print("compression of packed columns:     bytes/reading  encode ns  decode ns")
    strategies = {"default": zlib.Z_DEFAULT_STRATEGY, "filtered": zlib.Z_FILTERED, "run lengths": zlib.Z_RLE}
    for name, strategy in strategies.items():
        for level in (1, 4, 6, 9):
            begun = time.perf_counter()
            streams = []
            for column in raw:
                worker = zlib.compressobj(level, zlib.DEFLATED, -15, 9, strategy)
                streams.append(worker.compress(column) + worker.flush())
            encode = time.perf_counter() - begun
            begun = time.perf_counter()
            for stream in streams:
                zlib.decompress(stream, -15)
            decode = time.perf_counter() - begun
            size = sum(map(len, streams)) / readings
            chosen = " <- used" if (level, strategy) == (codec.DEFLATE_LEVEL, codec.DEFLATE_STRATEGY) else ""
            print(
                f"  level {level} {name:<12}           {size:9.3f} {encode / readings * 1e9:10.1f}"
                f" {decode / readings * 1e9:10.1f}{chosen}"
            )


def baseline() -> None:
    """What one would do without a record: int32 columns through zlib."""
    streams = [zlib.compress(c.astype(np.int32).tobytes(), 6) for hour in range(5) for c in hour_of_counts(hour)]
    readings = 5 * 3600 * len(CHANNELS)
    begun = time.perf_counter()
    for stream in streams:
        np.frombuffer(zlib.decompress(stream), dtype=np.int32).astype(np.int64)
    elapsed = time.perf_counter() - begun
    size = sum(map(len, streams)) / readings
    print(f"baseline, raw int32 in zlib:       {size:.3f} bytes/reading, decode {elapsed / readings * 1e9:.1f} ns")


def read_back(path: Path, hours_written: int) -> None:
    readings = hours_written * 3600 * len(CHANNELS)
    best = float("inf")
    for _ in range(3):
        reader = RecordReader.open(path)
        begun = time.perf_counter()
        total = sum(len(block) for window in reader.windows("house", None) for block in window.blocks)
        best = min(best, time.perf_counter() - begun)
        reader.close()
        assert total == hours_written * 3600
    nanoseconds = best / readings * 1e9
    year = nanoseconds * 8 * 365 * 86_400 / 1e9
    verdict = "met" if nanoseconds <= AIM_NS else "MISSED"
    print(f"read back through windows():       {nanoseconds:.1f} ns per channel reading (aim {AIM_NS:.0f}: {verdict})")
    print(f"                                   a year of 8 channels: {year:.1f} s")
    reader = RecordReader.open(path)
    tracemalloc.start()
    for _ in reader.windows("house", None):
        pass
    print(f"memory while reading, highest:     {tracemalloc.get_traced_memory()[1] / 1e6:.1f} MB")
    tracemalloc.stop()
    reader.close()


def commit_cost(folder: Path) -> None:
    """One commit of ten seconds of 20 devices with 12 channels."""
    writer = RecordWriter.open(folder / "commit.sqlite")
    names = ("volts", "amps", *(f"block_{n}_volts" for n in range(1, 11)))
    ids = [writer.register_series([series(f"d{d}", name) for name in names]) for d in range(20)]
    session = writer.begin_session("live", WALL_MS, 0, "")
    columns = hour_of_counts(0, names)
    spent = 0.0
    for k in range(60):
        blocks = []
        for d in range(20):
            stamps = np.arange(k * 10_000, (k + 1) * 10_000, 1000) + d
            same, clock = np.full(10, WALL_MS, dtype=np.int64), np.zeros(10, np.int64)
            part = tuple(column[k * 10 : k * 10 + 10] for column in columns)
            blocks.append(ScanBlock(f"d{d}", session, ids[d], stamps, same, clock, part))
        begun = time.process_time()
        writer.commit(Commit(tuple(blocks)))
        spent += time.process_time() - begun
    writer.close()
    print(
        f"commit of 10 s of 20 x 12 channels: {spent / 60 * 1e3:.2f} ms of processor time,"
        f" {spent / 60 / 10 * 100:.3f} % of a core, {spent / 60 / 200 * 1e6:.0f} us per scan"
    )


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--days", type=int, default=20)
    count = parser.parse_args().days * 24
    readings = count * 3600 * len(CHANNELS)
    compression_table()
    baseline()
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "record.sqlite"
        writer = RecordWriter.open(path)
        ids = writer.register_series([series("shunt", name) for name in CHANNELS])
        session = writer.begin_session("import", WALL_MS, 0, "benchmark")
        made = sum(len(block) for block in hours(session, ids, count))  # noqa: F841 - warms up and times the maker
        begun = time.perf_counter()
        for _ in hours(session, ids, count):
            pass
        making = time.perf_counter() - begun
        begun = time.perf_counter()
        writer.import_blocks(session, hours(session, ids, count))
        writing = time.perf_counter() - begun - making
        writer.close()
        raw = _bytes_of(path, "sealed")
        verdict = "met" if path.stat().st_size / readings < AIM_BYTES else "MISSED"
        print(
            f"at rest, with summaries and all:   {path.stat().st_size / readings:.3f} bytes/reading"
            f" (aim {AIM_BYTES:.0f}: {verdict}); sealed blocks alone {raw / readings:.3f}"
        )
        print(f"store sealed hours and summaries:  {writing / readings * 1e9:.0f} ns per reading")
        read_back(path, count)
        commit_cost(Path(name))


def _bytes_of(path: Path, table: str) -> int:
    reader = RecordReader.open(path)
    try:
        return int(reader._connection.execute(f"SELECT sum(length(payload)) FROM {table}").fetchone()[0])
    finally:
        reader.close()


if __name__ == "__main__":
    main()
