"""Seconds from the start of the process to the first request at the instrument: `loggerd run` on a new record and on
one with an hour in it; over Modbus TCP, and on a serial line (a pseudo-terminal).

Run: python tests/benchmarks/benchmark_start.py [--runs 10]

On a serial line the answer to what a former process asked may still be to come, and nothing in it tells. So a line on
which something was sent a moment ago is first listened to for its quiet time (1.5 s unless the settings say otherwise):
that is what a restart shows, and it is no fault. tests/sources/test_rtu_opening.py shows the wrong values that an
earlier request gives. Where nothing was sent for ten seconds, as when the computer starts, it is asked at once.
"""

from __future__ import annotations

import argparse
import os
import queue
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import tty
from pathlib import Path

from register_farm import first_request, register_farm
from service_run import service, settings_text
from showing import machine, show, title

from loggerd.sources.modbus_library import checksum

AIM_SECONDS = 1.5
_SHOWN = 12
_UNUSED_SECONDS = 19.0
"""After so long the kernel's note, which is coarse, shows ten seconds without use."""


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


class SerialLine(threading.Thread):
    """An instrument of twelve channels on a pseudo-terminal, which notes when it is first asked."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        self.asked: queue.Queue[float] = queue.Queue()
        self.start()

    def run(self) -> None:
        while True:
            request = os.read(self._master, 256)
            self.asked.put(time.monotonic())
            words = int.from_bytes(request[4:6], "big")
            answer = request[:2] + bytes((2 * words,)) + bytes(2 * words)
            os.write(self._master, answer + checksum(answer))


def serial_start(folder: Path, line: SerialLine) -> float:
    tcp, serial = '"modbus_tcp"\nhost = "127.0.0.1"\nport = 0', f'"modbus_rtu"\nport = "{line.path}"\nparity = "N"'
    text = settings_text([(0, 1)]).replace(tcp, serial)
    begun = time.monotonic()
    with service(folder, text):
        seconds = line.asked.get(timeout=30) - begun
    while not line.asked.empty():
        line.asked.get()
    return seconds


def measure_serial(runs: int) -> None:
    line = SerialLine()
    unused, restarted = [], []
    with tempfile.TemporaryDirectory() as name:
        for _ in range(runs):
            time.sleep(_UNUSED_SECONDS)
            unused.append(serial_start(Path(name), line))
            restarted.append(serial_start(Path(name), line))
    title(f"start of the service on a serial line, {runs} starts of each kind")
    show("line not used for a while: median", statistics.median(unused), "s", AIM_SECONDS)
    show("  slowest", max(unused), "s", AIM_SECONDS)
    show("restart, with the quiet time of 1.5 s: median", statistics.median(restarted), "s")


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
    measure_serial(max(1, runs // 3))
    imports()


if __name__ == "__main__":
    main()
