"""The demonstration: a simulated site on real wires, months of its history in a record, and the service on it.

History takes the way of all readings: the instruments' own registers and lines are decoded as they would be from the
wire, stored, and folded. Then the site lives on, served over Modbus and a serial line, and the service polls it. One
clock serves both.
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from loggerd.access.doors import Access
from loggerd.clock import AcceleratedClock
from loggerd.decoding.registers import decode_scan
from loggerd.decoding.sunspec import battery_counts
from loggerd.decoding.text_lines import parse_line
from loggerd.errors import StoreError
from loggerd.model.access import Role
from loggerd.model.scan import ScanBlock
from loggerd.plans import SessionNote
from loggerd.settings.domain import series_of
from loggerd.settings.load import load_settings
from loggerd.settings.site import SiteSettings
from loggerd.sources.modbus import ModbusDevice
from loggerd.sources.serial_lines import PrintingDevice
from loggerd.sources.sunspec import SunSpecDevice
from loggerd.store.record import HOUR_MS, Commit, RecordWriter
from loggerd.wiring import build_pages, build_service, described_device
from simulators.faults import seeded_fault
from simulators.instruments.instrument import RegisterInstrument
from simulators.instruments.line_printer import LinePrinter
from simulators.scenarios import SCENARIOS
from simulators.settings_text import settings_text
from simulators.site import HistoryBlock, SimulatedSite

if TYPE_CHECKING:
    from loggerd.outputs.web.server import PagesServer
    from loggerd.service import Service

_MAKERS_VOLTS = {
    "cabin": {"float_volts_per_cell": 2.25},
    "forklift": {"float_volts_per_cell": 2.25, "absorption_volts_per_cell": 2.40},
    "golf": {"float_volts_per_cell": 2.25},
}
"""What a keeper would copy from the maker: the presets say otherwise, and a charger that is set right is no fault."""
_MAKERS_SOURCE = "data sheet of the invented blocks, by which the invented chargers are set"
HISTORY_STEP_SECONDS = 60.0
DAY_MS = 86_400_000

Say = Callable[[str], None]


@dataclass(frozen=True)
class DemoChoice:
    """What is to be shown. `seconds`: stop by itself after so many real seconds; None: until stopped."""

    scenario: str
    folder: Path
    days: int
    speed: float
    seed: int
    modbus_port: int
    seconds: float | None
    program: str = "loggerd"
    """What a keeper types to start loggerd."""
    pages_port: int = 0
    """Where the pages are served; 0 for a free port."""
    fault: str | None = None
    """Begins a third of the way through the history."""


class HeldClock(AcceleratedClock):
    """An accelerated clock that stands still until it is let go."""

    def __init__(self, wall_ms: int, speed: float) -> None:
        super().__init__(wall_ms, speed)
        self._held_wall_ms: int | None = wall_ms

    def let_go(self, wall_ms: int) -> None:
        """Run from this wall time on."""
        self._held_wall_ms = None
        super().__init__(wall_ms, self.speed)

    def wall_ms(self) -> int:
        return super().wall_ms() if self._held_wall_ms is None else self._held_wall_ms


async def demonstrate(choice: DemoChoice, now_ms: int, say: Say, stop: asyncio.Event) -> None:
    """Run the demonstration until `stop` is set (or its seconds are over)."""
    for name in ("site.toml", "record.sqlite"):
        if (choice.folder / name).exists():
            raise StoreError(f"{choice.folder} holds a {name} already; the demo wants a folder of its own")
    start_ms = now_ms - choice.days * DAY_MS
    scenario = SCENARIOS[choice.scenario](choice.modbus_port)
    begin_seconds = choice.days * 86_400 / 3
    faults = [seeded_fault(choice.fault, scenario, choice.seed, begin_seconds)] if choice.fault else []
    site = SimulatedSite(scenario, choice.seed, faults, start_ms)
    clock = HeldClock(start_ms, choice.speed)
    await site.start(clock)
    try:
        path = choice.folder / "site.toml"
        record = {"path": "record.sqlite", "commit_seconds": 60}
        limits = [
            {"name": name, "value": volts, "source": _MAKERS_SOURCE}
            for name, volts in _MAKERS_VOLTS[choice.scenario].items()
        ]
        path.write_text(settings_text(scenario, record, limits), encoding="utf-8")
        settings = load_settings(path)
        for wire in scenario.wires:
            say(f"  {', '.join(one.name for one in wire.instruments)}: {wire.address}")
        write_history(site, settings, now_ms, say)
        # While the clock stands still: what takes a second here would be a minute of silence there.
        pages = _pages(settings, clock, choice, say)
        clock.let_go(site.now_ms)
        await _serve(build_service(settings, clock), pages, path, choice, say, stop)
    finally:
        await site.stop()


async def _serve(
    service: Service, pages: PagesServer, path: Path, choice: DemoChoice, say: Say, stop: asyncio.Event
) -> None:
    running = asyncio.create_task(service.run())
    stopping = asyncio.create_task(stop.wait())
    started = asyncio.create_task(service.started.wait())
    served = asyncio.create_task(pages.serve())
    try:
        await asyncio.wait({running, started}, return_when=asyncio.FIRST_COMPLETED)
        say(f"the service reads it now, {choice.speed:g} times as fast as the clock. In another terminal:")
        for words in ("findings {}", "alarms {}", "cycles {}", "export {} | tail"):
            say(f"  {choice.program} {words.format(path)}")
        say("Ctrl-C stops service and simulators.")
        await asyncio.wait({running, stopping}, timeout=choice.seconds, return_when=asyncio.FIRST_COMPLETED)
        service.stop()
        await running
    finally:
        stopping.cancel()
        started.cancel()
        pages.stop()
        await served


def _pages(settings: SiteSettings, clock: HeldClock, choice: DemoChoice, say: Say) -> PagesServer:
    """The pages beside the service, by the same clock, and a keeper to look at them with a password made for this."""
    password = "-".join(secrets.token_hex(2) for _ in range(3))
    access = Access.of(settings, clock)
    hashed = access.passwords.hashed(password)
    access.store.add_person("keeper", Role.KEEPER, hashed, access.line("demo", "", "person added"))
    web = settings.web.model_copy(update={"port": choice.pages_port})
    server = build_pages(settings.model_copy(update={"web": web}), clock)
    port = server.listen()
    say(f'pages at http://127.0.0.1:{port} - sign in as "keeper" with the password {password}')
    return server


def write_history(site: SimulatedSite, settings: SiteSettings, until_ms: int, say: Say) -> None:
    """Store the site's past as a session of the record, read once a minute."""
    devices = {device.name: described_device(device) for device in settings.devices}
    instruments = {instrument.name: instrument for instrument in site.scenario.devices()}
    note = SessionNote("simulated past", {name: round(HISTORY_STEP_SECONDS * 1000) for name in devices})
    writer = RecordWriter.open(Path(settings.record.path))
    try:
        session = writer.begin_session("live", site.start_ms, 0, note.text())
        ids = {name: writer.register_series(rows) for name, rows in series_of(settings).items()}
        days = 0
        for blocks in site.history(site.start_ms, until_ms, HISTORY_STEP_SECONDS):
            scans = tuple(
                _decoded(block, instruments[block.device], devices[block.device], session, ids[block.device], site)
                for block in blocks
                if len(block.at_ms)
            )
            for hour in _by_hour(scans):
                writer.commit(Commit(hour))
            writer.seal(session, (site.now_ms - site.start_ms) // HOUR_MS * HOUR_MS)
            lived = (site.now_ms - site.start_ms) // DAY_MS
            if lived >= days + 10:
                days = lived
                say(f"  {days} days of history")
    finally:
        writer.close()


def _by_hour(scans: tuple[ScanBlock, ...]) -> Iterator[tuple[ScanBlock, ...]]:
    """The blocks cut at whole hours of the session, hour by hour."""
    if not scans:
        return
    first = min(int(block.mono_ms[0]) for block in scans) // HOUR_MS
    last = max(int(block.mono_ms[-1]) for block in scans) // HOUR_MS
    for hour in range(first, last + 1):
        parts = []
        for block in scans:
            low, high = np.searchsorted(block.mono_ms, [hour * HOUR_MS, (hour + 1) * HOUR_MS]).tolist()
            if high > low:
                parts.append(block.slice(low, high))
        if parts:
            yield tuple(parts)


def _decoded(
    block: HistoryBlock,
    instrument: object,
    device: ModbusDevice | SunSpecDevice | PrintingDevice,
    session: int,
    ids: tuple[int, ...],
    site: SimulatedSite,
) -> ScanBlock:
    """A block of history as the wire would have brought it: by registers or lines, and decoded from those.

    Devices answer a millisecond after each other, as stamps rise strictly over all devices.
    """
    rows = np.column_stack(block.counts)
    if isinstance(device, PrintingDevice):
        assert isinstance(instrument, LinePrinter)
        lines = (instrument.line(row).strip() for row in rows)
        counts = [parse_line(device.line_format, device.fields, line) for line in lines]
    else:
        assert isinstance(instrument, RegisterInstrument)
        counts = [_from_words(words, instrument.first, device) for words in instrument.words(rows).tolist()]
    order = [one.name for one in site.scenario.devices()].index(block.device)
    mono = block.at_ms - site.start_ms + order
    columns = np.array(counts, dtype=np.int64).T
    zeros = np.zeros(len(mono), dtype=np.int64)
    return ScanBlock(
        block.device,
        session,
        ids,
        mono,
        zeros + site.start_ms,
        zeros,
        tuple(np.ascontiguousarray(column) for column in columns),
    )


def _from_words(words: list[int], first: int, device: ModbusDevice | SunSpecDevice) -> tuple[int, ...]:
    if isinstance(device, SunSpecDevice):
        return battery_counts(device.places, words[_battery_start(words) :])
    by_address = dict(enumerate(words, first))
    return decode_scan(device.places, dict.fromkeys(("holding", "input"), by_address))


def _battery_start(words: list[int]) -> int:
    """Index of the battery model's identifier in an image that begins with the marker: after the common model."""
    return 2 + 2 + words[3]
