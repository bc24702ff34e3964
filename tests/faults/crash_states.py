"""What a power cut may leave on the disk: a program's system calls recorded and replayed as crash states.

The calls that change files are recorded with strace. A write counts as durable once its file has been synced;
until then the disk may hold all, none or any part of it, cut at sectors of 512 bytes and in any order. At
each recorded call the states "none of the unsynced", "all of them" and random parts are built. The method is
known from ALICE (OSDI 2014) and from SQLite's own crash tests.

Limits of the model: names in folders (new, renamed, removed files) are taken as durable at once, writes
through memory maps are not seen (SQLite's -shm file is left out: it is rebuilt), and one sector is written
whole or not at all.

Use: record([...], trace); for state in CrashStates(trace, folder, ack_file).states(rng, 2):
state.write_to(target).
"""

from __future__ import annotations

import random
import re
import subprocess
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

SECTOR = 512
CALLS = (
    "openat,open,creat,write,pwrite64,writev,pwritev,pwritev2,copy_file_range,sendfile,truncate,ftruncate,fallocate,"
    "fsync,fdatasync,sync_file_range,unlink,unlinkat,rename,renameat,renameat2,lseek"
)
NOT_MODELLED = {"writev", "pwritev", "pwritev2", "copy_file_range", "sendfile", "truncate", "link", "linkat"}
_LINE = re.compile(r"(\d+)\s+(\w+)\((.*)\)\s+=\s+(-?\d+)")
_UNFINISHED = re.compile(r"(\d+)\s+(.*) <unfinished \.\.\.>$")
_RESUMED = re.compile(r"(\d+)\s+<\.\.\. (\w+) resumed>(.*)$")
_STRING = re.compile(r'"((?:\\x[0-9a-f]{2})*)"(\.\.\.)?')
_FD = re.compile(r"(\d+)<((?:\\x[0-9a-f]{2}|[^>])*)>")


def record(command: Sequence[str], trace: Path, timeout_seconds: float = 300, **popen: object) -> None:
    """Runs a command to its end under strace. The command must be the real interpreter, not a shell script."""
    subprocess.run(tracing(command, trace), check=True, timeout=timeout_seconds, **popen)  # type: ignore[call-overload]


def tracing(command: Sequence[str], trace: Path) -> list[str]:
    """The command line that runs a command (and its children and threads) with its calls recorded."""
    return ["strace", "-f", "-y", "-xx", "-s", "16000000", "-e", f"trace={CALLS}", "-o", str(trace), *command]


@dataclass
class _Write:
    """One change of a file that is not durable yet. `data` None: the file is cut or lengthened to `offset`."""

    sequence: int
    offset: int
    data: bytes | None


@dataclass
class _File:
    durable: bytearray = field(default_factory=bytearray)
    pending: list[_Write] = field(default_factory=list)
    size: int = 0

    def sync(self, up_to: int) -> None:
        for write in [w for w in self.pending if w.sequence <= up_to]:
            _apply(self.durable, write)
        self.pending = [w for w in self.pending if w.sequence > up_to]


def _apply(content: bytearray, write: _Write) -> None:
    if write.data is None:
        del content[write.offset :]
        content.extend(bytes(max(write.offset - len(content), 0)))
        return
    if len(content) < write.offset:
        content.extend(bytes(write.offset - len(content)))
    content[write.offset : write.offset + len(write.data)] = write.data


def _sectors(write: _Write) -> Iterator[_Write]:
    """The parts of a write that the disk stores one by one."""
    if write.data is None:
        yield write
        return
    start = 0
    while start < len(write.data):
        stop = min(start + SECTOR - (write.offset + start) % SECTOR, len(write.data))
        yield _Write(write.sequence, write.offset + start, write.data[start:stop])
        start = stop


@dataclass(frozen=True)
class CrashState:
    """One content of the folder that a power cut may have left; what had been announced by then."""

    point: int
    kind: str
    acknowledged: bytes
    files: dict[str, bytes]

    def write_to(self, folder: Path) -> None:
        """Replaces everything in the folder by this state."""
        for old in sorted(folder.rglob("*"), reverse=True):
            old.rmdir() if old.is_dir() else old.unlink()
        for name, content in self.files.items():
            target = folder / name
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)


class CrashStates:
    """The crash states of one recorded run.

    `folder` is the folder the program kept its files in (empty when it began); `ack_file` is where it
    announced, after each commit, what is stored: whatever has been written there counts as promised. Files
    whose name ends in one of `ignore` are left out.
    """

    def __init__(
        self, trace: Path, folder: Path, ack_file: Path, ignore: tuple[str, ...] = ("-shm", ".lock", ".ballast")
    ) -> None:
        self._trace = trace
        self._folder = str(folder.resolve()) + "/"
        self._ack_file = str(ack_file.resolve())
        self._ignore = ignore
        self._files: dict[str, _File] = {}
        self._offsets: dict[tuple[str, str], int] = {}
        self._appending: set[tuple[str, str]] = set()
        self._sequence = 0
        self.acknowledged = bytearray()

    def states(
        self,
        rng: random.Random,
        random_per_point: int = 1,
        wanted: Callable[[int], bool] = lambda _point: True,
    ) -> Iterator[CrashState]:
        """States at the calls that changed a file or promised something; `wanted` chooses among them by number."""
        point = 0
        for changed_durably in self._replay():
            point += 1
            if not wanted(point):
                continue
            if changed_durably:
                yield self._state(point, "none", rng)
            if any(one.pending for one in self._files.values()):
                yield self._state(point, "all", rng)
                for _ in range(random_per_point):
                    yield self._state(point, "part", rng)

    def _state(self, point: int, kind: str, rng: random.Random) -> CrashState:
        share = rng.choice((0.1, 0.5, 0.9))
        files = {}
        for path, one in self._files.items():
            content = bytearray(one.durable)
            for write in one.pending if kind != "none" else ():
                if kind == "all":
                    _apply(content, write)
                else:
                    for sector in _sectors(write):
                        if rng.random() < share:
                            _apply(content, sector)
            files[path[len(self._folder) :]] = bytes(content)
        return CrashState(point, kind, bytes(self.acknowledged), files)

    # -- replay --

    def _replay(self) -> Iterator[bool]:
        """Follows the trace; yields after each call of interest, True when what is durable or promised
        changed.
        """
        for call, arguments, result, begun_at in self._calls():
            if result < 0:
                continue
            before = self._sequence
            durable = self._step(call, arguments, result, begun_at)
            if durable or self._sequence != before:
                yield durable

    def _calls(self) -> Iterator[tuple[str, str, int, int]]:
        """call, arguments, result, and the number of the last change before the call began."""
        begun: dict[str, tuple[str, int]] = {}
        with self._trace.open(encoding="ascii", errors="replace") as lines:
            for raw in lines:
                line, begun_at = raw.rstrip("\n"), self._sequence
                if unfinished := _UNFINISHED.match(line):
                    begun[unfinished[1]] = (unfinished[2], begun_at)
                    continue
                if resumed := _RESUMED.match(line):
                    start, begun_at = begun.pop(resumed[1])
                    line = f"{resumed[1]} {start}{resumed[3]}"
                if found := _LINE.match(line):
                    yield found[2], found[3], int(found[4]), begun_at

    def _step(self, call: str, arguments: str, result: int, begun_at: int) -> bool:
        """Takes in one call; True when something became durable or was promised."""
        if call in ("openat", "open", "creat"):
            return self._open(call, arguments, result)
        if call in ("rename", "renameat", "renameat2", "unlink", "unlinkat"):
            return self._rename_or_unlink(call, arguments)
        descriptor = _FD.match(arguments)
        if descriptor is None:
            return False
        path, key = _unhex(descriptor[2]), (descriptor[1], _unhex(descriptor[2]))
        if path == self._ack_file and call in ("write", "pwrite64"):
            self.acknowledged += _data(arguments)[:result]
            return True
        if not self._watched(path):
            return False
        one = self._files.setdefault(path, _File())
        if call in ("fsync", "fdatasync"):
            one.sync(begun_at)
        else:
            self._change(one, key, call, arguments, result)
        return call in ("fsync", "fdatasync")

    def _open(self, call: str, arguments: str, result: int) -> bool:
        strings = _STRING.findall(arguments)
        folder = _FD.search(arguments)
        path = _unhex(strings[0][0])
        if not path.startswith("/") and folder:
            path = f"{_unhex(folder[2])}/{path}"
        if not self._watched(path) or ("O_CREAT" not in arguments and path not in self._files):
            return False
        new = path not in self._files
        one = self._files.setdefault(path, _File())
        key = (str(result), path)
        self._offsets[key] = 0
        self._appending.discard(key)
        if "O_APPEND" in arguments:
            self._appending.add(key)
        if ("O_TRUNC" in arguments or call == "creat") and one.size:
            self._add(one, 0, None)
        return new

    def _rename_or_unlink(self, call: str, arguments: str) -> bool:
        folders = [_unhex(found[1]) for found in _FD.findall(arguments)]
        names = [_unhex(found[0]) for found in _STRING.findall(arguments)]
        paths = []
        for i, name in enumerate(names):
            base = folders[min(i, len(folders) - 1)] if folders else ""
            paths.append(name if name.startswith("/") else f"{base}/{name}")
        one = self._files.pop(paths[0], None)
        if call.startswith("rename") and one is not None and self._watched(paths[1]):
            self._files[paths[1]] = one
        return one is not None

    def _change(self, one: _File, key: tuple[str, str], call: str, arguments: str, result: int) -> None:
        if call in NOT_MODELLED:
            raise AssertionError(f"{call} on {key[1]} is not modelled")
        numbers = [int(n) for n in re.findall(r", (-?\d+)", _STRING.sub("", arguments))]
        if call == "lseek":
            self._offsets[key] = result
        elif call == "ftruncate":
            self._add(one, numbers[-1], None)
        elif call == "fallocate":
            self._add(one, max(one.size, numbers[-1] + numbers[-2]), None)
        elif call == "pwrite64":
            self._add(one, numbers[-1], _data(arguments)[:result])
        elif call == "write":
            offset = one.size if key in self._appending else self._offsets.get(key, 0)
            self._add(one, offset, _data(arguments)[:result])
            self._offsets[key] = offset + result

    def _add(self, one: _File, offset: int, data: bytes | None) -> None:
        self._sequence += 1
        one.pending.append(_Write(self._sequence, offset, data))
        one.size = offset if data is None else max(one.size, offset + len(data))

    def _watched(self, path: str) -> bool:
        return path.startswith(self._folder) and not path.endswith(self._ignore)


def _unhex(text: str) -> str:
    return re.sub(r"\\x([0-9a-f]{2})", lambda m: chr(int(m[1], 16)), text)


def _data(arguments: str) -> bytes:
    found = _STRING.search(arguments)
    if found is None or found[2]:
        raise AssertionError("the recorded call has no data, or not all of it")
    return bytes.fromhex(found[1].replace("\\x", ""))
