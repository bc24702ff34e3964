"""What the running service costs: 20 devices of 12 channels at 1 Hz over Modbus TCP, in real time.

Run: python tests/benchmarks/benchmark_live.py [--seconds 60]
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from register_farm import first_request, register_farm
from service_run import CHANNELS, processor_seconds, service, settings_text, threads
from showing import machine, resident_bytes, show, title

from loggerd.store.record import RecordReader

DEVICES = 20
AIM_PERCENT, AIM_MB = 4.0, 90.0
_SETTLING_SECONDS = 8.0


def measure(words: str, ports: int, seconds: float) -> None:
    with tempfile.TemporaryDirectory() as name, register_farm(ports) as (found, told):
        folder = Path(name)
        places = [(found[number % ports], 1 + number) for number in range(DEVICES)]
        with service(folder, settings_text(places)) as process:
            first_request(told)
            time.sleep(_SETTLING_SECONDS)
            spent, begun = processor_seconds(process.pid), time.monotonic()
            time.sleep(seconds)
            share = (processor_seconds(process.pid) - spent) / (time.monotonic() - begun)
            resident, highest = (resident_bytes(process.pid, which) / 1e6 for which in ("VmRSS", "VmHWM"))
            count = threads(process.pid)
        stored = _scans(folder / "record.sqlite", "bank 0")
    title(f"live, {DEVICES} devices of {CHANNELS} channels at 1 Hz, {words}, {seconds:g} s")
    show("processor time", share * 100, "% of a core", AIM_PERCENT)
    show("  per scan", share * 1e6 / DEVICES, "us")
    show("resident memory", resident, "MB", AIM_MB)
    show("  the highest it has been", highest, "MB")
    show("threads", count, "")
    show("scans of the first device in the record, of those due", stored / (seconds + _SETTLING_SECONDS), "")


def _scans(record: Path, bank: str) -> int:
    reader = RecordReader.open(record)
    try:
        return sum(len(block) for window in reader.windows(bank, None) for block in window.blocks)
    finally:
        reader.close()


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=60.0)
    seconds = parser.parse_args().seconds
    print(machine())
    measure("a connection each", DEVICES, seconds)
    measure("one gateway for all", 1, seconds)


if __name__ == "__main__":
    main()
