from __future__ import annotations

import asyncio
import os
import pty
import random
import threading
import tty
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path

import pytest

from loggerd.clock import AcceleratedClock
from loggerd.decoding.text_lines import Checksum, LineField, LineFormat, checksum_digits
from loggerd.errors import Absent, Garbled, Silent
from loggerd.model.scan import Scan
from loggerd.sources.base import DeviceEvent, Sink
from loggerd.sources.serial_lines import PrintingDevice, SerialLinesLine, SerialPort

FIELDS = (LineField("volts", 0.001), LineField("amps", 0.001))
FORMAT = LineFormat(delimiter=";", fields=("volts", "amps"), checksum=Checksum.XOR_HEX)


class PrintingInstrument:
    """The device end of a pseudo-terminal, plugged in under a path of its own."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.master = -1

    def plug_in(self) -> None:
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(self.master, False)
        new = self.path.with_suffix(".new")
        new.symlink_to(os.ttyname(slave))
        new.replace(self.path)
        os.close(slave)

    def unplug(self) -> None:
        os.close(self.master)
        self.master = -1

    async def write(self, data: bytes) -> None:
        while data:
            try:
                data = data[os.write(self.master, data) :]
            except BlockingIOError:
                await asyncio.sleep(0.001)

    async def print_line(self, volts: int, amps: int) -> None:
        body = b"%d.0;%d.0" % (volts, amps)
        await self.write(body + b"*" + checksum_digits(Checksum.XOR_HEX, body) + b"\r\n")


class Heard:
    def __init__(self) -> None:
        self.scans: list[Scan] = []
        self.events: list[DeviceEvent] = []
        self.sink = Sink(scan=self.scans.append, event=self.events.append)

    def counts(self) -> list[tuple[int, ...]]:
        return [scan.counts for scan in self.scans]

    def kinds(self) -> list[str]:
        return [event.kind for event in self.events]


async def until(condition: Callable[[], bool]) -> None:
    """Waits for what must come; the test's own timeout ends a wait that is in vain."""
    while not condition():  # noqa: ASYNC110 - the condition is outside the loop's reach
        await asyncio.sleep(0.002)


def make_line(path: Path, speed: float = 20.0, poll_seconds: float = 1.0) -> SerialLinesLine:
    device = PrintingDevice("tap box", FORMAT, FIELDS, poll_seconds)
    return SerialLinesLine(device, SerialPort(str(path)), AcceleratedClock(0, speed))


@pytest.fixture
def instrument(tmp_path: Path) -> Iterator[PrintingInstrument]:
    instrument = PrintingInstrument(tmp_path / "port")
    yield instrument
    if instrument.master >= 0:
        instrument.unplug()


@asynccontextmanager
async def running(line: SerialLinesLine) -> AsyncIterator[Heard]:
    heard = Heard()
    task = asyncio.create_task(line.run(heard.sink))
    try:
        yield heard
    finally:
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task


@contextmanager
def nothing_left_open() -> Iterator[None]:
    before = (len(os.listdir("/proc/self/fd")), threading.active_count())  # noqa: PTH208
    yield
    assert (len(os.listdir("/proc/self/fd")), threading.active_count()) == before  # noqa: PTH208


async def synchronise(instrument: PrintingInstrument, line: SerialLinesLine, heard: Heard) -> None:
    """Prints until the line that was opened in the middle of nowhere has its first scan, then forgets it."""
    scans = len(heard.scans)
    while len(heard.scans) == scans:
        await instrument.print_line(1, 1)
        await asyncio.sleep(0.005)
    await until(lambda: line.health["tap box"].polls == line.health["tap box"].scans + line.health["tap box"].garbled)
    heard.scans.clear()


async def test_every_line_is_a_scan_also_when_it_comes_faster_than_expected(
    instrument: PrintingInstrument,
) -> None:
    instrument.plug_in()
    line = make_line(instrument.path, speed=1, poll_seconds=60)
    async with running(line) as heard:
        await synchronise(instrument, line, heard)
        for number in range(200):
            await instrument.print_line(number, -number)
        await until(lambda: len(heard.scans) == 200 or line.health["tap box"].garbled > 0)

        assert heard.counts()[-200:] == [(1000 * number, -1000 * number) for number in range(200)]
        assert heard.events == []
        assert line.devices == ("tap box",)


async def test_half_lines_noise_nuls_and_wrong_checksums_cost_only_themselves(
    instrument: PrintingInstrument,
) -> None:
    instrument.plug_in()
    line = make_line(instrument.path, speed=1)
    async with running(line) as heard:
        await synchronise(instrument, line, heard)
        bad = [b"12.0;3", b"\xff\xfe\x80\r", b"12.0;3.0*00", b"*;*;", b"12.0;3.0;4.0*1F"]
        for number, noise in enumerate(bad):
            await instrument.print_line(number, 7)
            await instrument.write(noise + b"\n")
        await instrument.write(b"5\0.0;7\0.0*" + checksum_digits(Checksum.XOR_HEX, b"5.0;7.0") + b"\n")
        await until(lambda: (5000, 7000) in heard.counts())

        assert [counts for counts in heard.counts() if counts[1] == 7000] == [(1000 * n, 7000) for n in range(6)]
        assert line.health["tap box"].garbled == len(bad)
        assert line.health["tap box"].errors_by_kind == {"Garbled": len(bad)}
        assert heard.events == []


async def test_a_device_that_sends_only_nonsense_is_told_once(instrument: PrintingInstrument) -> None:
    instrument.plug_in()
    line = make_line(instrument.path, speed=1)
    async with running(line) as heard:
        await synchronise(instrument, line, heard)
        await instrument.write(b"12.0;3.0*00\n" * 50)
        await until(lambda: line.health["tap box"].garbled == 50)

        assert heard.kinds() == ["garbled"]
        assert "wrong checksum" in heard.events[0].text


async def test_a_megabyte_without_line_end_is_dropped_and_forgotten(instrument: PrintingInstrument) -> None:
    instrument.plug_in()
    line = make_line(instrument.path, speed=1)
    async with running(line) as heard:
        await synchronise(instrument, line, heard)
        await instrument.write(b"7" * 1_000_000 + b"\n")
        await instrument.print_line(48, 5)
        await until(lambda: heard.counts()[-1:] == [(48000, 5000)])

        assert line._splitter.overlong == 1
        assert line._splitter.dropped_bytes >= 1_000_000
        assert len(line._splitter._rest) <= line._splitter.limit


async def test_random_bytes_never_end_the_line(instrument: PrintingInstrument) -> None:
    instrument.plug_in()
    line = make_line(instrument.path, speed=1)
    generator = random.Random(20260501)
    async with running(line) as heard:
        await synchronise(instrument, line, heard)
        for _ in range(100):
            await instrument.write(b"".join(generator.randbytes(generator.randrange(40)) + b"\n" for _ in range(100)))
        await instrument.write(b"\n")
        await instrument.print_line(48, 5)
        await until(lambda: heard.counts()[-1:] == [(48000, 5000)])


async def test_unplugged_and_plugged_in_again_twenty_times(instrument: PrintingInstrument) -> None:
    instrument.plug_in()
    line = make_line(instrument.path, speed=100)
    async with running(line) as heard:

        def lost_again() -> bool:
            return heard.kinds()[-1:] == ["lost"]

        await synchronise(instrument, line, heard)
        with nothing_left_open():
            for _ in range(20):
                instrument.unplug()
                await until(lost_again)
                instrument.plug_in()
                await synchronise(instrument, line, heard)

        assert heard.kinds() == ["lost", "back"] * 20
        assert line.health["tap box"].absent >= 20


async def test_halves_of_lines_from_before_and_after_an_unplugging_are_not_joined(
    instrument: PrintingInstrument,
) -> None:
    instrument.plug_in()
    line = make_line(instrument.path, speed=100)
    async with running(line) as heard:
        await synchronise(instrument, line, heard)
        await instrument.write(b"12.0;")
        await until(lambda: line._splitter._rest == b"12.0;")
        instrument.unplug()
        await until(lambda: heard.kinds() == ["lost"])
        instrument.plug_in()
        await until(lambda: line._port is not None)
        await instrument.write(b"3.0*" + checksum_digits(Checksum.XOR_HEX, b"12.0;3.0") + b"\n")
        await instrument.print_line(48, 5)
        await until(lambda: heard.counts()[-1:] == [(48000, 5000)])

        assert heard.counts() == [(48000, 5000)]


async def test_a_port_that_is_back_is_opened_before_a_long_back_off_ends(instrument: PrintingInstrument) -> None:
    instrument.path.write_text("not a port")
    line = make_line(instrument.path, speed=20)
    health = line.health["tap box"]
    async with running(line) as heard:
        await until(lambda: (health.back_off_until_ms or 0) - line._clock.mono_ms() > 25_000)
        long_after_ms = health.back_off_until_ms or 0
        instrument.path.unlink()
        gone_ms = line._clock.mono_ms()
        await until(lambda: line._clock.mono_ms() > gone_ms + 3_000)
        instrument.plug_in()
        await synchronise(instrument, line, heard)

        assert line._clock.mono_ms() < long_after_ms
        assert heard.kinds() == ["lost", "back"]


async def test_a_path_that_vanishes_is_waited_for(instrument: PrintingInstrument) -> None:
    line = make_line(instrument.path, speed=100)
    async with running(line) as heard:
        await until(lambda: heard.kinds() == ["lost"])
        start_ms = line._clock.mono_ms()
        await until(lambda: line._clock.mono_ms() > start_ms + 20_000)
        tries = line.health["tap box"].absent

        instrument.plug_in()
        await synchronise(instrument, line, heard)
        instrument.path.unlink()
        instrument.unplug()
        await until(lambda: heard.kinds() == ["lost", "back", "lost"])
        instrument.plug_in()
        await synchronise(instrument, line, heard)

        assert tries == 1  # looking for the path is not an attempt to open it
        assert heard.kinds() == ["lost", "back", "lost", "back"]
        assert str(instrument.path) in heard.events[0].text


async def test_a_silent_device_is_lost_once_and_comes_back(instrument: PrintingInstrument) -> None:
    instrument.plug_in()
    line = make_line(instrument.path, speed=500)
    async with running(line) as heard:
        await until(lambda: line.health["tap box"].silent >= 3)
        assert heard.kinds() == ["lost"]
        assert "no line for 10 s" in heard.events[0].text

        await synchronise(instrument, line, heard)
        assert heard.kinds()[:2] == ["lost", "back"]


async def test_a_port_held_by_another_is_lost_and_taken_when_free(instrument: PrintingInstrument) -> None:
    instrument.plug_in()
    first, second = make_line(instrument.path, speed=1), make_line(instrument.path, speed=100)
    others = Heard()
    holder = asyncio.create_task(first.run(others.sink))
    await synchronise(instrument, first, others)
    async with running(second) as heard:
        await until(lambda: second.health["tap box"].absent >= 2)
        assert heard.kinds() == ["lost"]
        assert "another program holds it" in heard.events[0].text

        holder.cancel()
        await asyncio.wait({holder})
        await synchronise(instrument, second, heard)
        assert heard.kinds() == ["lost", "back"]


async def test_read_once_takes_the_first_whole_line(instrument: PrintingInstrument) -> None:
    instrument.plug_in()
    line = make_line(instrument.path, speed=1)
    with nothing_left_open():
        reading = asyncio.create_task(line.read_once("tap box"))
        await asyncio.sleep(0)
        await instrument.write(b"8.0;5.0*00\n")
        await instrument.print_line(48, 5)

        assert await reading == Scan("tap box", (48000, 5000))
        await line.close()


async def test_read_once_says_why_there_is_no_reading(instrument: PrintingInstrument) -> None:
    line = make_line(instrument.path, speed=200)
    with pytest.raises(Absent, match=r'device "tap box".*cannot be opened'):
        await line.read_once("tap box")

    instrument.plug_in()
    with pytest.raises(Silent, match="no line for 10 s"):
        await line.read_once("tap box")

    reading = asyncio.create_task(line.read_once("tap box"))
    await asyncio.sleep(0)
    await instrument.write(b"x\n12.0;3.0*00\n")
    with pytest.raises(Garbled, match="wrong checksum"):
        await reading

    reading = asyncio.create_task(line.read_once("tap box"))
    await asyncio.sleep(0)
    instrument.unplug()
    with pytest.raises(Absent, match="unplugged"):
        await reading
    with pytest.raises(KeyError):
        await line.read_once("another")
    await line.close()


async def test_a_path_that_is_no_port_is_absent(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("12.0;3.0\n")
    line = make_line(tmp_path / "file")

    with nothing_left_open(), pytest.raises(Absent, match="file"):
        await line.read_once("tap box")
