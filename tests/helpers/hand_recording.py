"""A recording without wires: the test tells the time and hands readings over."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from loggerd.model.scan import ClockState, Scan
from loggerd.recording import Recording
from loggerd.settings.load import load_settings
from loggerd.settings.site import SiteSettings
from loggerd.taking_in import LOG_ENTRY

SITE = """\
[site]
name = "Hut"
timezone = "Europe/Vienna"

[record]
path = "record.sqlite"

[[bank]]
name = "house"
type = "flooded_antimony"
strings = 1
blocks_per_string = 4
cells_per_block = 3
rated_amp_hours = 100
rated_hours = 20

[[device]]
name = "shunt"
bank = "house"
poll_seconds = 60
connection = { kind = "modbus_tcp", host = "127.0.0.1", port = 1 }

[[device.channel]]
channel = "amps"
table = "holding"
address = 0
type = "int16"
scale = 0.1
unit = "A"
accuracy = { offset = 0.1, noise = 0.01 }

[[device.channel]]
channel = "volts"
table = "holding"
address = 1
type = "int16"
scale = 0.01
unit = "V"
"""


class HandClock:
    """Time that is told."""

    def __init__(self, wall_ms: int = 1_790_000_000_000, mono_ms: int = 5_000_000) -> None:
        self._wall_minus_mono = wall_ms - mono_ms
        self._mono_ms = mono_ms
        self.said = ClockState.SET

    def pass_by(self, milliseconds: int) -> None:
        self._mono_ms += milliseconds

    def step(self, milliseconds: int) -> None:
        """Somebody sets the wall clock."""
        self._wall_minus_mono += milliseconds

    def mono_ms(self) -> int:
        return self._mono_ms

    def wall_ms(self) -> int:
        return self._mono_ms + self._wall_minus_mono

    def state(self) -> ClockState:
        return self.said

    async def sleep_until(self, mono_ms: int) -> None:
        self._mono_ms = max(self._mono_ms, mono_ms)


def site(folder: Path) -> SiteSettings:
    path = folder / "site.toml"
    path.write_text(SITE, encoding="utf-8")
    return load_settings(path)


def opened(settings: SiteSettings, clock: HandClock) -> Recording:
    return Recording.open(settings, Path(settings.record.path), clock, None)


def reading(recording: Recording, clock: HandClock, amps: float = 1.0, volts: float = 25.0) -> None:
    """A minute goes by, then the shunt is read."""
    clock.pass_by(60_000)
    recording.scan(Scan("shunt", (round(amps * 10), round(volts * 100))))


def note(text: str = "cap was loose", **changed: Any) -> dict[str, Any]:
    """What a request for a note says."""
    body = {"bank": "house", "kind": "note", "happened_at_ms": 1_789_000_000_000, "who": "anna", "data": {}}
    return {**body, "text": text, "corrects": None, **changed}


def ask(inbox: Any, uid: str, body: dict[str, Any], wall_ms: int = 1, what: str = LOG_ENTRY) -> Path:
    path: Path = inbox.put(what, uid, body, wall_ms)
    return path
