"""Seconds from the start of the process to the first request at the instrument: `loggerd run` on a new record and on
one with an hour in it.

Run: python tests/benchmarks/benchmark_start.py [--runs 10]
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from register_farm import first_request, register_farm
from service_run import service, settings_text
from showing import machine, show, title

AIM_SECONDS = 1.5
_SHOWN = 12


def one_start(folder: Path, devices: int) -> float:
    with register_farm(1) as (ports, lines):
        text = settings_text([(ports[0], number + 1) for number in range(devices)])
        begun = time.monotonic()
        with service(folder, text):
            return first_request(lines) - begun


def measure(devices: int, runs: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        first = one_start(Path(name), devices)
        times = [one_start(Path(name), devices) for _ in range(runs)]
    title(f"start of the service with {devices} device(s) of 12 channels, {runs} starts")
    show("first start, new record", first, "s", AIM_SECONDS)
    show("median, same record again", statistics.median(times), "s", AIM_SECONDS)
    show("slowest", max(times), "s", AIM_SECONDS)


def imports() -> None:
    """What is imported for `run`, dearest first."""
    code = "import loggerd.__main__, loggerd.service, loggerd.wiring, loggerd.settings.load"
    lines = subprocess.run(
        [sys.executable, "-X", "importtime", "-c", code], capture_output=True, text=True, check=True
    ).stderr.splitlines()
    rows = [line.removeprefix("import time:").split("|") for line in lines if "|" in line and "[us]" not in line]
    own: dict[str, int] = {}
    for self_us, _, module in rows:
        top = module.strip().split(".")[0]
        own[top] = own.get(top, 0) + int(self_us)
    title("imports of the service, by package (own time, with the interpreter's tracing)")
    for package, microseconds in sorted(own.items(), key=lambda item: -item[1])[:_SHOWN]:
        show(package, microseconds / 1000, "ms")
    show("all", sum(own.values()) / 1000, "ms")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=10)
    runs = parser.parse_args().runs
    print(machine())
    measure(1, runs)
    measure(20, max(1, runs // 2))
    imports()


if __name__ == "__main__":
    main()
