"""What a watcher knows, in a small file: written whole beside its old self and put in its place, so none is torn."""

from __future__ import annotations

import fcntl
import json
import logging
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from loggerd.alarms.heartbeats import WatchState
from loggerd.alarms.heartbeats_plain import state_from_plain, state_to_plain, whole
from loggerd.errors import StoreError, StoreHeld
from loggerd.store.record import sync_folder

_log = logging.getLogger("loggerd")
_BOOT = Path("/proc/sys/kernel/random/boot_id")
_FORM = 1


@dataclass(frozen=True)
class Now:
    """The watcher's clocks at one instant. `boot`: names the run of the monotonic clock; `wall_set`: whether the wall
    clock is set."""

    boot: str
    mono_ms: int
    wall_ms: int
    wall_set: bool


@dataclass(frozen=True)
class Loaded:
    """A state, on the monotonic clock of now. `since`: where that clock had begun anew and nobody can tell yet for how
    long the watcher was off, the clocks when it was stored."""

    state: WatchState
    since: Now | None = None


def boot_name() -> str:
    """The name of this run of the kernel, and so of its monotonic clock; "" where it has none."""
    try:
        return _BOOT.read_text(encoding="ascii").strip()
    except OSError:
        return ""


class StateFile:
    """The file of one watcher. `hold` it before writing."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock: int | None = None

    def hold(self) -> None:
        """Be the only one who writes it. Raises StoreHeld if another one is, StoreError if it cannot be told."""
        try:
            descriptor = os.open(f"{self.path}.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            raise StoreError(f"{self.path}.lock cannot be written: {error.strerror}") from error
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(descriptor)
            raise StoreHeld(f"{self.path} is held by another watcher") from error
        self._lock = descriptor

    def let_go(self) -> None:
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    def load(self, now: Now) -> Loaded:
        """What is stored; nothing where there is no file. One that makes no sense is set aside, and said so.

        Raises StoreError where it cannot be read.
        """
        try:
            content = self.path.read_bytes()
        except FileNotFoundError:
            return Loaded(WatchState())
        except OSError as error:
            raise StoreError(f"{self.path} cannot be read: {error.strerror or error}") from error
        try:
            plain = json.loads(content)
            then = _then(plain)
            return _on_clock_of(state_from_plain(plain["state"]), then, now)
        except (ValueError, KeyError, TypeError, RecursionError) as error:
            return Loaded(self._begun_anew(str(error)))

    def _begun_anew(self, why: str) -> WatchState:
        aside = self.path.with_name(f"{self.path.name}.damaged")
        if self._lock is not None:
            try:
                self.path.replace(aside)
            except OSError as error:
                raise StoreError(f"{self.path} makes no sense ({why}), and cannot be set aside: {error}") from error
        _log.error(
            "%s makes no sense (%s): all sites are waited for as if new; it is kept as %s", self.path, why, aside
        )
        return WatchState()

    def save(self, state: WatchState, now: Now) -> None:
        """Store it; it lasts through a power cut when this returns. Raises StoreError."""
        clocks = {"boot": now.boot, "mono_ms": now.mono_ms, "wall_ms": now.wall_ms, "wall_set": now.wall_set}
        text = json.dumps({"form": _FORM, "clocks": clocks, "state": state_to_plain(state)}, ensure_ascii=False)
        draft = self.path.with_name(f".{self.path.name}.tmp")
        try:
            with draft.open("w", encoding="utf-8") as stream:
                stream.write(text)
                stream.flush()
                os.fsync(stream.fileno())
            draft.replace(self.path)
            sync_folder(self.path.parent)
        except OSError as error:
            raise StoreError(f"{self.path} cannot be written: {error.strerror or error}") from error


def _then(plain: Any) -> Now:
    """The clocks when it was stored. Raises ValueError, KeyError, TypeError."""
    if plain["form"] != _FORM:
        raise ValueError("it was written by another version")
    clocks = plain["clocks"]
    return Now(str(clocks["boot"]), whole(clocks["mono_ms"]), whole(clocks["wall_ms"]), clocks["wall_set"] is True)


def _on_clock_of(state: WatchState, then: Now, now: Now) -> Loaded:
    """The state on the monotonic clock of now. Over a start of the machine, only set wall clocks can tell how long it
    was off; until then no time has passed."""
    if then.boot and then.boot == now.boot and now.mono_ms >= then.mono_ms:
        return Loaded(state)
    here = state.shifted(now.mono_ms - then.mono_ms)
    if not then.wall_set:
        return Loaded(here)
    if not now.wall_set:
        return Loaded(here, Now(now.boot, now.mono_ms, then.wall_ms, wall_set=True))
    return Loaded(here.shifted(-max(0, now.wall_ms - then.wall_ms)))


def off_ms(since: Now, now: Now) -> int:
    """For how long a watcher had been off, told once its clock is set. `since`: of `Loaded`."""
    return max(0, (now.wall_ms - since.wall_ms) - (now.mono_ms - since.mono_ms))
