"""A serial port for request and answer: opened by pyserial, watched by the event loop."""

from __future__ import annotations

import asyncio
import os
import select
import termios
from dataclasses import dataclass
from time import CLOCK_BOOTTIME, clock_gettime, monotonic, time

import serial

from loggerd.errors import Absent
from loggerd.sources.port_errors import why_not_open

_READ_BYTES = 4096
_NOTED_WITHIN = 7
"""Lowest bits of the seconds that the kernel does not keep up to date."""
_MOST_KEPT = 4096
"""A line that babbles may not fill the memory: of what nobody takes, no more than this is kept."""
_CHARACTER_BITS = 11
"""Start, eight data, parity or second stop, stop (Modbus over Serial Line V1.02)."""


@dataclass(frozen=True)
class RtuConnection:
    """A serial line with Modbus RTU devices.

    `parity` is E, N or O. `timeout_ms` is how long a device may take to answer, the time on the wire not
    counted. `quiet_ms` is the longest that an answer may still come after that.
    """

    port: str
    baud: int = 9600
    parity: str = "E"
    stop_bits: int = 1
    timeout_ms: int = 500
    quiet_ms: int = 1500

    @property
    def character_seconds(self) -> float:
        """Time that one character takes on the wire."""
        return _CHARACTER_BITS / self.baud

    @property
    def gap_seconds(self) -> float:
        """Silence between frames: 3.5 characters, 1.75 ms above 19200 bit/s (Modbus over Serial Line V1.02)."""
        return 3.5 * self.character_seconds if self.baud <= 19200 else 0.001750


class RtuPort:
    """An open port. Bytes are collected as they come; the time of the last one is kept."""

    def __init__(self, connection: RtuConnection, device: str) -> None:
        """Raises Absent, naming `device`, when the port cannot be opened."""
        self.lost_because: str | None = None
        self.last_byte_at = monotonic()
        self._path = connection.port
        self._received = bytearray()
        self._arrival = asyncio.Event()
        self._loop = asyncio.get_running_loop()
        try:
            self._serial = serial.Serial(
                connection.port,
                baudrate=connection.baud,
                parity=connection.parity,
                stopbits=connection.stop_bits,
                timeout=0,
                exclusive=True,
            )
        except (OSError, ValueError, termios.error) as error:
            raise Absent(device, f"{connection.port} cannot be opened: {why_not_open(error)}") from error
        self._descriptor = self._serial.fileno()
        os.set_blocking(self._descriptor, False)
        self._readable = select.poll()
        self._readable.register(self._descriptor, select.POLLIN)
        self._loop.add_reader(self._descriptor, self._receive)

    def unused_seconds(self) -> float:
        """How long nobody on this computer has sent anything here, at least; 0 when that cannot be told.

        The kernel notes the last write to a terminal as its node's time of change, to within eight seconds
        (tty_update_time in Linux's drivers/tty/tty_io.c); reading, opening and what comes in leave it alone. A
        time before the computer's start, or in the future, says that the clock has been set since.
        """
        noted = int(os.fstat(self._descriptor).st_mtime)
        now = time()
        started = now - clock_gettime(CLOCK_BOOTTIME)
        return max(0.0, now - (noted | _NOTED_WITHIN) - 1) if started < noted <= now else 0.0

    def send(self, frame: bytes, device: str) -> None:
        """Send a frame whole. Raises Absent when the port is gone or takes no more bytes."""
        try:
            sent = os.write(self._descriptor, frame)
        except BlockingIOError:
            sent = 0
        except OSError as error:
            self.close(_reason(error))
            raise self.absent(device) from error
        if sent < len(frame):
            # Closing throws the rest away; sent later it would call forth an answer nobody waits for.
            self.close("it takes no more bytes: nothing seems to be sent on the wire")
            raise self.absent(device)

    def take(self) -> bytes:
        """Everything received and not yet taken, including what the event loop has not seen yet."""
        while self.lost_because is None and self._receive():
            pass
        data = bytes(self._received)
        self._received.clear()
        return data

    async def wait_for_bytes(self, until: float) -> None:
        """Return when something was received and not taken, when the port is lost, or at `until` (monotonic)."""
        self._arrival.clear()
        if self._received or self.lost_because is not None:
            return
        try:
            async with asyncio.timeout(until - monotonic()):
                await self._arrival.wait()
        except TimeoutError:
            return

    def absent(self, device: str) -> Absent:
        """The error to raise when the port is lost."""
        return Absent(device, f"{self._path}: {self.lost_because}")

    def close(self, because: str = "closed") -> None:
        """Close at once, also when lost: an adapter that returns while it is open comes back under another
        name.
        """
        if self.lost_because is not None:
            return
        self.lost_because = because
        self._loop.remove_reader(self._descriptor)
        self._serial.close()
        self._arrival.set()

    def _receive(self) -> bool:
        """Read once; False when there was nothing."""
        # Asked first, because a terminal's read gives b"" both when nothing is there and when it never will
        # be.
        if not self._readable.poll(0):
            return False
        try:
            data = os.read(self._descriptor, _READ_BYTES)
        except BlockingIOError:
            return False
        except OSError as error:
            self.close(f"unplugged ({_reason(error)})")
            return False
        if not data:
            self.close("unplugged, or another program reads the same port")
            return False
        self.last_byte_at = monotonic()
        self._received += data
        del self._received[:-_MOST_KEPT]
        self._arrival.set()
        return True


def _reason(error: Exception) -> str:
    return error.strerror if isinstance(error, OSError) and error.strerror else str(error)
