"""A small site of any shape for tests of its pages: readings handed in by hand, findings and alarms as a test wants."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from hand_recording import HandClock

from loggerd.model.alarm import Alarm, AlarmResults
from loggerd.model.finding import Finding, Grade, Quality
from loggerd.model.ledger import Figure, Instant
from loggerd.model.results import FoldResults
from loggerd.model.scan import Scan
from loggerd.recording import Recording
from loggerd.settings.load import load_settings
from loggerd.settings.site import SiteSettings
from loggerd.store.record import BankResults, Commit, RecordReader, RecordWriter

_HEAD = """
[site]
name = {site}
timezone = "Europe/Vienna"
[record]
path = "record.sqlite"
commit_seconds = 10
"""
_BANK = """
[[bank]]
name = {name}
type = "agm"
strings = {strings}
blocks_per_string = {per_string}
cells_per_block = {cells}
rated_amp_hours = 100
rated_hours = 20
[[device]]
name = {device}
bank = {name}
poll_seconds = 60
connection = {{ kind = "modbus_tcp", host = "127.0.0.1", port = {port} }}
"""
_CHANNEL = """
[[device.channel]]
channel = "{channel}"
table = "holding"
address = {address}
type = "int16"
scale = 0.01
unit = "{unit}"
"""
_AMPS = "accuracy = { offset = 0.1, noise = 0.01 }\nvalid = [-200, 200]\n"


@dataclass(frozen=True)
class Shape:
    """A bank to be shown."""

    name: str = "house"
    strings: int = 1
    per_string: int = 4
    cells: int = 3

    @property
    def blocks(self) -> int:
        return self.strings * self.per_string

    @property
    def channels(self) -> list[tuple[str, str]]:
        taps = [(f"block_{number}_volts", "V") for number in range(1, self.blocks + 1)]
        return [("amps", "A"), ("volts", "V"), ("block_1_celsius", "°C"), *taps]

    @property
    def device(self) -> str:
        return f"meter of {self.name}"

    def text(self, port: int) -> str:
        name, device = json.dumps(self.name), json.dumps(self.device)
        head = _BANK.format(
            name=name, device=device, strings=self.strings, per_string=self.per_string, cells=self.cells, port=port
        )
        parts = [
            _CHANNEL.format(channel=channel, address=address, unit=unit) + (_AMPS if channel == "amps" else "")
            for address, (channel, unit) in enumerate(self.channels)
        ]
        return head + "".join(parts)


@dataclass
class ShownSite:
    """A site with an open recording, whose clock is told by the test."""

    settings: SiteSettings
    shapes: tuple[Shape, ...]
    clock: HandClock = field(default_factory=HandClock)

    @staticmethod
    def of(folder: Path, *shapes: Shape, site: str = "Hut", more: str = "") -> ShownSite:
        path = folder / "site.toml"
        parts = [shape.text(port) for port, shape in enumerate(shapes or (Shape(),), 1)]
        path.write_text(_HEAD.format(site=json.dumps(site)) + more + "".join(parts), encoding="utf-8")
        return ShownSite(load_settings(path), shapes or (Shape(),))

    @property
    def path(self) -> Path:
        return Path(self.settings.record.path)

    def open(self) -> Recording:
        return Recording.open(self.settings, self.path, self.clock, None)

    def begin(self) -> ShownSite:
        """A record without a reading."""
        self.open().close()
        return self

    def read(self, amps: float = 1.0, celsius: float = 20.0, low: int = 0, minutes: int = 3) -> ShownSite:
        """Readings of so many minutes of all banks, then a commit. `low`: the block that is 0.3 V below its peers."""
        recording = self.open()
        while recording.behind:
            recording.catch_up_some()
        for _ in range(minutes):
            self.clock.pass_by(60_000)
            for shape in self.shapes:
                recording.scan(Scan(shape.device, counts(shape, amps, celsius, low)))
        recording.commit()
        recording.close()
        return self

    def tell(self, *found: Finding, alarms: Sequence[Alarm] = (), bank: str | None = None) -> ShownSite:
        """Findings of a bank (the first, if none is named), and alarms, as if they had been found just now."""
        name = self.shapes[0].name if bank is None else bank
        reader = RecordReader.open(self.path)
        try:
            revision = reader.revisions(name)[-1].id
            stored = reader.checkpoint(name, revision)
        finally:
            reader.close()
        assert stored is not None, "read() first: findings stand beside a state"
        at = Instant(stored[0].session, self.clock.wall_ms())
        told = tuple(replace(one, at=at) for one in found)
        writer = RecordWriter.open(self.path)
        try:
            results = (BankResults(name, revision, FoldResults(findings=told), *stored),)
            writer.commit(Commit(results=results, alarms=AlarmResults(tuple(alarms))))
        finally:
            writer.close()
        return self


def counts(shape: Shape, amps: float = 1.0, celsius: float = 20.0, low: int = 0) -> tuple[int, ...]:
    """What the meter of a bank answers: hundredths."""
    block = 2.1 * shape.cells
    taps = [block - (0.3 if number == low else 0.0) for number in range(1, shape.blocks + 1)]
    return tuple(round(100 * one) for one in (amps, block * shape.per_string, celsius, *taps))


def found(name: str, subject: str, verdict: str, value: float | None = None, **more: object) -> Finding:
    """A finding of good readings, with a band of a tenth where it has a value."""
    band = (None, None) if value is None else (round(0.9 * value, 3), round(1.1 * value, 3))
    grade = Grade.CANNOT_TELL if verdict in ("cannot_tell", "unknown", "unclear") else Grade.OBSERVED
    low, high = band
    one = Finding(name, subject, verdict, grade, "seen by hand", Instant(1, 0), value, low, high, quality=Quality.GOOD)
    return replace(one, **more)  # type: ignore[arg-type]


def healthy(shape: Shape, since_ms: int) -> list[Finding]:
    """What is found of a bank that nothing is wrong with, proven full at that time."""
    since = Instant(1, since_ms)
    return [
        found("quality.record", "bank", "good", 100.0),
        found("full_charge.last", "bank", "full_proven", 0.8),
        found("full_charge.days_since", "bank", "fine", 2.0, since=since),
        found("capacity.summary", "bank", "sound", 97.0),
        found("capacity.observed", "bank", "sound", 97.5),
        found("capacity.acid_reserve", "bank", "read", 110.0),
        *(
            found("blocks.cause", f"block {number}", "fine", reason="3 of the last 3 discharges agree: level")
            for number in range(1, shape.blocks + 1)
        ),
        found("trends.resistance", "bank", "too_early", grade=Grade.CANNOT_TELL),
    ]


__all__ = ["Figure", "Shape", "ShownSite", "counts", "found", "healthy"]
