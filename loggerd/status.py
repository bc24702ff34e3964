"""How the service does, told to the pages by a small file in memory: what the record does not hold.

Poll counters, bytes written and memory live in the service's process and would wear the card if they were kept in the
record. So the service writes them once a minute to a file below /run or /dev/shm, which are in memory on every board;
the file goes with the next start of the machine. Its age is told by the clock that counts since that start, so that a
wall clock that is set in between does not make it look old or new.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import stat
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from loggerd import __version__
from loggerd.clock import Clock
from loggerd.model.scan import ClockState, Scan
from loggerd.sources.base import DeviceHealth, Line

_log = logging.getLogger("loggerd")

EVERY_SECONDS = 60.0
BELIEVED_MS = 180_000
"""A file older than that says nothing: the service has ended, or hangs."""
_FORM = 1
"""Version of the file's form; a file of another one is not read."""
_MOST_BYTES = 1_000_000
_MODE = 0o640
_FOLDERS = (Path("/run/loggerd"), Path("/dev/shm"))


@dataclass(frozen=True)
class DeviceStatus:
    """Counts of one device since the service began. `heard_ms`: wall time of its last answer, None before the first.

    `absent`: its port or host was not there; `missed`: polls that were due and not made, because the line was busy or
    the device was left alone after failures.
    """

    device: str
    polls: int
    answers: int
    silent: int
    garbled: int
    refused: int
    absent: int
    missed: int
    last_error: str
    heard_ms: int | None

    @property
    def failed(self) -> int:
        return self.silent + self.garbled + self.refused + self.absent


@dataclass(frozen=True)
class ServiceStatus:
    """How the service does. `boot_ms` and `began_boot_ms` count from the start of the machine, `_ms` is wall time.

    `written_bytes`: what it caused to be written to disks since it began; `memory_bytes`: what it holds now; None where
    the kernel does not say. `record_bytes_begun`: size of the record when the service began.
    """

    boot_ms: int
    began_boot_ms: int
    at_ms: int
    began_ms: int
    program: str
    python: str
    clock_set: bool
    words: str
    looked_ms: int | None
    memory_bytes: int | None
    written_bytes: int | None
    record_bytes_begun: int | None
    devices: tuple[DeviceStatus, ...]

    @property
    def running_ms(self) -> int:
        return self.boot_ms - self.began_boot_ms


class StatusKeeper:
    """Gathers in the service what the file tells. All calls come from the event loop and return at once."""

    def __init__(self, record: Path, clock: Clock, lines: Iterable[Line]) -> None:
        self._record = record
        self._clock = clock
        self._lines = tuple(lines)
        self._heard: dict[str, int] = {}
        self._began = (_boot_ms(), clock.wall_ms())
        self._record_bytes = _size(record)
        self._looked_ms: int | None = None
        self._told = ""

    def through(self, scan: Callable[[Scan], None]) -> Callable[[Scan], None]:
        """The same, but noting when each device was heard."""

        def noting(one: Scan) -> None:
            self._heard[one.device] = self._clock.wall_ms()
            scan(one)

        return noting

    def looked(self) -> None:
        """A commit has been made, or tried."""
        self._looked_ms = self._clock.wall_ms()

    def now(self, words: str) -> ServiceStatus:
        """How things stand. `words`: what the recording says of itself."""
        devices = [one for line in self._lines for one in line.health.values()]
        return ServiceStatus(
            _boot_ms(),
            self._began[0],
            self._clock.wall_ms(),
            self._began[1],
            __version__,
            ".".join(map(str, sys.version_info[:3])),
            self._clock.state() is ClockState.SET,
            words,
            self._looked_ms,
            _memory_bytes(),
            _written_bytes(),
            self._record_bytes,
            tuple(_device(one, self._heard.get(one.device)) for one in devices),
        )

    def write(self, words: str) -> None:
        """Write the file. Where that cannot be done, it is told once: readings do not wait for a page."""
        try:
            write_status(self._record, self.now(words))
        except OSError as error:
            folder = status_path(self._record).parent
            text = f"{folder}: the pages cannot be told how the service does ({error.strerror or error})"
            if text != self._told:
                self._told = text
                _log.warning("%s", text)

    def remove(self) -> None:
        """Take the file away, when the service ends in order."""
        try:
            status_path(self._record).unlink(missing_ok=True)
        except OSError as error:
            _log.warning("the file for the pages cannot be removed: %s", error)


def _device(health: DeviceHealth, heard_ms: int | None) -> DeviceStatus:
    return DeviceStatus(
        health.device,
        health.polls,
        health.scans,
        health.silent,
        health.garbled,
        health.refused,
        health.absent,
        health.missed,
        health.last_error,
        heard_ms,
    )


# -- the file --


def status_path(record: Path) -> Path:
    """Where a service that runs as we do writes the file of that record."""
    return _folders()[0] / _name(record)


def write_status(record: Path, status: ServiceStatus) -> None:
    """Write the file whole, or not at all. Raises OSError."""
    target = status_path(record)
    descriptor, draft = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
    try:
        with os.fdopen(descriptor, "w", encoding="utf-8") as stream:
            os.fchmod(descriptor, _MODE)
            json.dump({"version": _FORM, **asdict(status)}, stream, ensure_ascii=False)
        Path(draft).replace(target)
    except OSError:
        Path(draft).unlink(missing_ok=True)
        raise


def read_status(record: Path) -> ServiceStatus | None:
    """What the service of that record said last; None where nothing is said, too long ago, or not by its owner."""
    owners = {0, os.geteuid()}
    try:
        owners.add(record.stat().st_uid)
    except OSError:
        return None
    now_ms = _boot_ms()
    found = [
        one
        for folder in dict.fromkeys((*_folders(), *_FOLDERS))
        if (one := _read(folder / _name(record), owners)) is not None and 0 <= now_ms - one.boot_ms <= BELIEVED_MS
    ]
    return max(found, key=lambda one: one.boot_ms, default=None)


def _folders() -> list[Path]:
    """Folders in memory, the one to write to first."""
    given = os.environ.get("RUNTIME_DIRECTORY", "").partition(":")[0]
    usable = [Path(given)] if given else []
    usable += [one for one in _FOLDERS if os.access(one, os.W_OK | os.X_OK)]
    return usable or [_FOLDERS[-1]]


def _name(record: Path) -> str:
    mark = hashlib.sha256(os.fsencode(record.resolve())).hexdigest()[:16]
    return f"loggerd-{mark}.status.json"


def _read(path: Path, owners: set[int]) -> ServiceStatus | None:
    """None for what is not there, is no plain file, belongs to somebody else, or is of another form."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError:
        return None
    with os.fdopen(descriptor, "rb") as stream:
        about = os.fstat(descriptor)
        if not stat.S_ISREG(about.st_mode) or about.st_uid not in owners or about.st_size > _MOST_BYTES:
            return None
        content = stream.read(_MOST_BYTES)
    try:
        return _status_of(json.loads(content))
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
        return None


def _status_of(plain: Mapping[str, Any]) -> ServiceStatus | None:
    """Raises ValueError, KeyError, TypeError, AttributeError, OverflowError for what is none."""
    if plain["version"] != _FORM:
        return None
    numbers = {
        name: _whole(plain[name])
        for name in ("looked_ms", "memory_bytes", "written_bytes", "record_bytes_begun")
    }  # fmt: skip
    return ServiceStatus(
        boot_ms=int(plain["boot_ms"]),
        began_boot_ms=int(plain["began_boot_ms"]),
        at_ms=int(plain["at_ms"]),
        began_ms=int(plain["began_ms"]),
        program=str(plain["program"]),
        python=str(plain["python"]),
        clock_set=bool(plain["clock_set"]),
        words=str(plain["words"]),
        devices=tuple(_device_of(one) for one in plain["devices"]),
        **numbers,
    )


def _device_of(plain: Mapping[str, Any]) -> DeviceStatus:
    counts = {
        name: int(plain[name]) for name in ("polls", "answers", "silent", "garbled", "refused", "absent", "missed")
    }
    heard_ms = _whole(plain["heard_ms"])
    return DeviceStatus(str(plain["device"]), last_error=str(plain["last_error"]), heard_ms=heard_ms, **counts)


def _whole(value: Any) -> int | None:
    return None if value is None else int(value)


# -- what the kernel says of this process --


def _boot_ms() -> int:
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000


def _size(path: Path) -> int | None:
    try:
        return path.stat().st_size
    except OSError:
        return None


def _memory_bytes() -> int | None:
    """Resident set (proc(5), VmRSS in kB)."""
    kilobytes = _figure_of("/proc/self/status", "VmRSS:")
    return None if kilobytes is None else 1024 * kilobytes


def _written_bytes() -> int | None:
    """What this process caused to be sent to the storage layer (proc(5), write_bytes)."""
    return _figure_of("/proc/self/io", "write_bytes:")


def _figure_of(file: str, name: str) -> int | None:
    try:
        lines = Path(file).read_text(encoding="ascii", errors="replace").splitlines()
    except OSError:
        return None
    return next(_figures(lines, name), None)


def _figures(lines: Iterable[str], name: str) -> Iterator[int]:
    for line in lines:
        words = line.split()
        if words[:1] == [name] and len(words) > 1:
            yield int(words[1])
