"""Serial instruments that print text lines by themselves: one device a port, nothing is ever written to it.

pyserial opens and configures the port; the event loop watches it (a blocking or byte-wise reader costs many
times the processor time). Readiness without bytes means that the adapter was pulled out, or that a second
program reads the same port: the port is closed at once, since an adapter that returns while the old one is
still open comes back under another name. While the port is not there its path is looked for every second; a
port that is there and cannot be opened is tried again after 1, 2, 4 ... 30 s.
"""

from __future__ import annotations

import asyncio
import os
import termios
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import serial

from loggerd.clock import Clock
from loggerd.decoding.text_lines import LineField, LineFormat, LineSplitter, parse_line
from loggerd.errors import Absent, Garbled, InstrumentError, Silent
from loggerd.model.scan import Scan
from loggerd.sources.base import DeviceEvent, DeviceHealth, Sink
from loggerd.sources.port_errors import why_not_open

_READ_BYTES = 4096
_LOOK_FOR_PATH_MS = 1_000
_FIRST_BACK_OFF_MS = 1_000
_LONGEST_BACK_OFF_MS = 30_000
_GARBLED_IN_A_ROW = 3
"""Lines that do not fit, one after the other, before the keeper is told: single ones are ordinary noise."""


@dataclass(frozen=True)
class SerialPort:
    """Where the device is plugged in and how it talks. `parity` is E, N or O."""

    path: str
    baud: int = 9600
    parity: str = "N"
    stop_bits: float = 1
    data_bits: int = 8


@dataclass(frozen=True)
class PrintingDevice:
    """A device and its lines. `fields` are the values wanted, in the order of the device's series.

    `poll_seconds` only says how often a line is expected.
    """

    name: str
    line_format: LineFormat
    fields: tuple[LineField, ...]
    poll_seconds: float


class _OpenPort:
    """An open port that hands on bytes as they come, and says once when it is gone."""

    def __init__(self, settings: SerialPort, received: Callable[[bytes], None]) -> None:
        """Raises OSError, ValueError or termios.error when the port cannot be opened."""
        self.gone: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        self._received = received
        self._serial = serial.Serial(
            settings.path,
            baudrate=settings.baud,
            bytesize=settings.data_bits,
            parity=settings.parity,
            stopbits=settings.stop_bits,
            timeout=0,
            exclusive=True,
        )
        self._descriptor = self._serial.fileno()
        os.set_blocking(self._descriptor, False)
        asyncio.get_running_loop().add_reader(self._descriptor, self._readable)

    def _readable(self) -> None:
        try:
            data = os.read(self._descriptor, _READ_BYTES)
        except BlockingIOError:
            return
        except OSError as error:
            self.close(f"unplugged ({error.strerror})")
            return
        if data:
            self._received(data)
        else:
            self.close("unplugged, or a second program reads the same port")

    def close(self, why: str = "closed") -> None:
        if self._serial.is_open:
            asyncio.get_running_loop().remove_reader(self._descriptor)
            self._serial.close()
        if not self.gone.done():
            self.gone.set_result(why)


class SerialLinesLine:
    """One serial port with one device that prints lines; every line that fits is a scan.

    The device is silent when no line that fits has come for five times `poll_seconds`, 10 s at least. In
    the health counts a line that came is a poll.
    """

    def __init__(self, device: PrintingDevice, port: SerialPort, clock: Clock) -> None:
        self.device = device.name
        self._settings = port
        self._format = device.line_format
        self._fields = device.fields
        self._clock = clock
        self._silent_ms = max(int(5 * device.poll_seconds * 1000), 10_000)
        self._health = DeviceHealth(device.name)
        self._splitter = LineSplitter()
        self._port: _OpenPort | None = None
        self._sink: Sink | None = None
        self._once: asyncio.Future[Scan] | None = None
        self._lost = False
        self._bad_in_a_row = 0
        self._last_good_ms = 0

    @property
    def devices(self) -> tuple[str, ...]:
        return (self.device,)

    @property
    def health(self) -> dict[str, DeviceHealth]:
        return {self.device: self._health}

    async def run(self, sink: Sink) -> None:
        """Hand on every line until cancelled; open the port again whenever it is lost."""
        self._sink = sink
        back_off_ms = _FIRST_BACK_OFF_MS
        try:
            while True:
                scans_before = self._health.scans
                port = self._try_to_open()
                if port is not None:
                    await self._until_gone(port)
                if self._health.scans > scans_before:
                    back_off_ms = _FIRST_BACK_OFF_MS
                came_back = await self._wait_for_path(back_off_ms)
                back_off_ms = _FIRST_BACK_OFF_MS if came_back else min(2 * back_off_ms, _LONGEST_BACK_OFF_MS)
        finally:
            self._sink = None
            await self.close()

    async def read_once(self, device: str) -> Scan:
        """The next line that fits. Raises Absent, Silent (nothing came in time) or Garbled (nothing that
        fits).
        """
        if device != self.device:
            raise KeyError(device)
        garbled_before = self._health.garbled
        if self._port is None:
            self._port = self._open()
        self._once = asyncio.get_running_loop().create_future()
        timeout = asyncio.ensure_future(self._clock.sleep_until(self._clock.mono_ms() + self._silent_ms))
        waits: set[asyncio.Future[Any]] = {self._once, timeout, self._port.gone}
        try:
            await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
            if self._once.done():
                return self._once.result()
            if self._port.gone.done():
                raise Absent(self.device, f"{self._settings.path}: {self._port.gone.result()}")
            raise self._nothing_came(self._health.garbled - garbled_before)
        finally:
            timeout.cancel()
            self._once = None

    async def close(self) -> None:
        if self._port is not None:
            self._port.close()
            self._port = None

    # -- the port --

    def _open(self) -> _OpenPort:
        self._splitter.reset()
        try:
            return _OpenPort(self._settings, self._received)
        except (OSError, ValueError, termios.error) as error:
            raise Absent(self.device, f"{self._settings.path} cannot be opened: {why_not_open(error)}") from error

    def _try_to_open(self) -> _OpenPort | None:
        if self._port is None:
            try:
                self._port = self._open()
            except Absent as error:
                self._health.absent += 1
                self._lose(error)
        return self._port

    async def _until_gone(self, port: _OpenPort) -> None:
        watch = asyncio.ensure_future(self._watch_silence())
        try:
            # shield: a cancelled wait must not cancel the port's own future.
            why = await asyncio.shield(port.gone)
        finally:
            watch.cancel()
        await self.close()
        self._health.absent += 1
        self._lose(Absent(self.device, f"{self._settings.path}: {why}"))

    async def _watch_silence(self) -> None:
        garbled_before = self._health.garbled
        self._last_good_ms = self._clock.mono_ms()
        while True:
            due_ms = self._last_good_ms + self._silent_ms
            await self._clock.sleep_until(due_ms)
            if self._last_good_ms + self._silent_ms > due_ms:
                garbled_before = self._health.garbled
                continue
            self._health.silent += 1
            self._lose(self._nothing_came(self._health.garbled - garbled_before))
            self._last_good_ms = self._clock.mono_ms()

    async def _wait_for_path(self, back_off_ms: int) -> bool:
        """Wait for the back-off to end and for the path to be there; True at once when it comes back."""
        until_ms = self._clock.mono_ms() + back_off_ms
        self._health.back_off_until_ms = until_ms
        was_there = self._path_is_there()
        came_back = False
        while not came_back and (self._clock.mono_ms() < until_ms or not was_there):
            await self._clock.sleep_until(self._clock.mono_ms() + _LOOK_FOR_PATH_MS)
            is_there = self._path_is_there()
            came_back = is_there and not was_there
            was_there = is_there
        self._health.back_off_until_ms = None
        return came_back

    def _path_is_there(self) -> bool:
        return Path(self._settings.path).exists()

    # -- lines --

    def _received(self, data: bytes) -> None:
        for line in self._splitter.push(data):
            self._health.polls += 1
            try:
                counts = parse_line(self._format, self._fields, line)
            except ValueError as error:
                self._bad_line(str(error))
            else:
                self._good_line(Scan(self.device, counts))

    def _good_line(self, scan: Scan) -> None:
        self._health.scans += 1
        self._bad_in_a_row = 0
        self._last_good_ms = self._clock.mono_ms()
        if self._once is not None and not self._once.done():
            self._once.set_result(scan)
        if self._sink is None:
            return
        if self._lost:
            self._lost = False
            self._sink.event(DeviceEvent(self.device, "back", "lines come again"))
        self._sink.scan(scan)

    def _bad_line(self, reason: str) -> None:
        self._health.garbled += 1
        self._count_error("Garbled", f"a line does not fit: {reason}")
        self._bad_in_a_row += 1
        if self._bad_in_a_row == _GARBLED_IN_A_ROW and self._sink is not None:
            text = f"{self._bad_in_a_row} lines in a row do not fit their description; the last: {reason}"
            self._sink.event(DeviceEvent(self.device, "garbled", text))

    def _nothing_came(self, garbled: int) -> InstrumentError:
        seconds = self._silent_ms / 1000
        if garbled:
            last = self._health.last_error
            return Garbled(self.device, f"{garbled} lines in {seconds:g} s and none that fits; the last: {last}")
        return Silent(self.device, f"no line for {seconds:g} s from {self._settings.path}")

    def _lose(self, error: InstrumentError) -> None:
        self._count_error(type(error).__name__, error.what)
        if not self._lost and self._sink is not None:
            self._lost = True
            self._sink.event(DeviceEvent(self.device, "lost", error.what))

    def _count_error(self, kind: str, text: str) -> None:
        self._health.last_error = text
        self._health.errors_by_kind[kind] = self._health.errors_by_kind.get(kind, 0) + 1
