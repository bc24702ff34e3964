"""The service as a process of its own, and its settings, for benchmarks of the whole."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from subprocess import Popen

CHANNELS = 12
TICKS = os.sysconf("SC_CLK_TCK")


def settings_text(places: Sequence[tuple[int, int]], commit_seconds: int = 10, poll_seconds: float = 1.0) -> str:
    """A site with one bank of ten blocks for each device of twelve channels; `places` are (port, device id)."""
    lines = ['[site]\nname = "Benchmark"\ntimezone = "UTC"', f"[record]\ncommit_seconds = {commit_seconds}"]
    lines += [
        f'[[bank]]\nname = "bank {number}"\ntype = "agm"\nstrings = 1\nblocks_per_string = 10\ncells_per_block = 6\n'
        "rated_amp_hours = 100\nrated_hours = 20"
        for number in range(len(places))
    ]
    names = ["amps", "volts", *(f"block_{number}_volts" for number in range(1, CHANNELS - 1))]
    for number, (port, device_id) in enumerate(places):
        lines.append(
            f'[[device]]\nname = "meter {number}"\npoll_seconds = {poll_seconds}\nbank = "bank {number}"\n'
            f'[device.connection]\nkind = "modbus_tcp"\nhost = "127.0.0.1"\nport = {port}\ndevice_id = {device_id}'
        )
        lines += [
            f'[[device.channel]]\nchannel = "{name}"\ntable = "holding"\naddress = {2 * place}\ntype = "int32"\n'
            f"scale = {0.001 if name == 'amps' else 0.04 if name == 'volts' else 0.004}\n"
            f'unit = "{"A" if name == "amps" else "V"}"\nvalid = {"[-500, 500]" if name == "amps" else "[0, 500]"}'
            for place, name in enumerate(names)
        ]
    return "\n".join(lines) + "\n"


@contextmanager
def service(folder: Path, text: str) -> Iterator[Popen[bytes]]:
    """`loggerd run` on these settings; ended in order. Raises RuntimeError if it ended by itself."""
    path = folder / "site.toml"
    path.write_text(text, encoding="utf-8")
    with Popen([sys.executable, "-m", "loggerd", "run", str(path)]) as process:
        try:
            yield process
            if process.poll() is not None:
                raise RuntimeError("the service ended by itself")
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(timeout=60)


def processor_seconds(process: int) -> float:
    """User and system time that a process has used."""
    fields = Path(f"/proc/{process}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def threads(process: int) -> int:
    return len(list(Path(f"/proc/{process}/task").iterdir()))
