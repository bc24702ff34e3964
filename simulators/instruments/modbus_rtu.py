"""Register instruments on one RS-485 line, played on a pseudo-terminal, with faults of the wire when asked."""

from __future__ import annotations

import asyncio
import random
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from simulators.instruments.crc import crc16, with_crc
from simulators.instruments.instrument import Instrument, RegisterInstrument
from simulators.instruments.pseudo_terminal import PseudoTerminal
from simulators.instruments.wire import Readable

_REQUEST_LENGTH = 8
_MOST_REGISTERS = 125
_READS = (3, 4)
_ILLEGAL_FUNCTION, _ILLEGAL_ADDRESS, _ILLEGAL_VALUE = 1, 2, 3


@dataclass
class WireFaults:
    """Chances (0 to 1) that an answer is spoilt in one way, and a lag that delays every answer."""

    silence: float = 0.0
    noise: float = 0.0
    """Random bytes in front of the answer."""
    bad_crc: float = 0.0
    truncated: float = 0.0
    late: float = 0.0
    late_seconds: float = 0.0
    """How late an answer comes when it is late."""
    lag_seconds: float = 0.0


class ModbusRtuWire:
    """Serves instruments with different device ids on one pseudo-terminal. Writes are refused."""

    def __init__(
        self, instruments: tuple[RegisterInstrument, ...], *, baud: int = 9600, link: Path | None = None, seed: int = 0
    ) -> None:
        self._instruments = instruments
        self._by_id = {instrument.device_id: instrument for instrument in instruments}
        self._terminal = PseudoTerminal(link)
        self._baud = baud
        self._random = random.Random(seed)
        self._site: Readable | None = None
        self._buffer = b""
        self._pending: set[asyncio.TimerHandle] = set()
        self.faults: dict[int, WireFaults] = {}
        """Faults by device id; may be changed while it serves."""
        self.requests: list[tuple[int, int, int, int]] = []
        """The last requests as (device id, function code, address, count)."""

    @property
    def instruments(self) -> tuple[Instrument, ...]:
        return self._instruments

    async def start(self, site: Readable) -> None:
        """See Wire; also plugs in again after `stop`."""
        self._site = site
        self._buffer = b""
        self._terminal.open(self._received)

    async def stop(self) -> None:
        """See Wire; also what unplugging looks like."""
        for handle in self._pending:
            handle.cancel()
        self._pending.clear()
        self._terminal.close()

    @property
    def path(self) -> str:
        """The serial port to open."""
        return self._terminal.path

    @property
    def address(self) -> str:
        return f"Modbus RTU on {self.path}"

    def connection(self, instrument: Instrument) -> dict[str, Any]:
        """See Wire."""
        assert isinstance(instrument, RegisterInstrument)
        return {
            "kind": "modbus_rtu",
            "port": self.path,
            "baud": self._baud,
            "parity": "N",
            "device_id": instrument.device_id,
        }

    def _received(self, data: bytes) -> None:
        """Cut requests out of the stream; a byte that begins none is skipped, so that it finds its feet after noise."""
        self._buffer += data
        while len(self._buffer) >= _REQUEST_LENGTH:
            frame = self._buffer[:_REQUEST_LENGTH]
            if crc16(frame[:-2]) != int.from_bytes(frame[-2:], "little"):
                self._buffer = self._buffer[1:]
                continue
            self._buffer = self._buffer[_REQUEST_LENGTH:]
            self._answer(frame)

    def _answer(self, request: bytes) -> None:
        device_id, function = request[0], request[1]
        address, count = int.from_bytes(request[2:4], "big"), int.from_bytes(request[4:6], "big")
        self.requests.append((device_id, function, address, count))
        del self.requests[:-10_000]
        instrument = self._by_id.get(device_id)
        if instrument is None or self._site is None:
            return
        truth = self._site.truth(instrument.bank)
        if instrument.dead(truth.seconds)[0]:
            return
        if function not in _READS:
            body = bytes((function | 0x80, _ILLEGAL_FUNCTION))
        elif not 1 <= count <= _MOST_REGISTERS:
            body = bytes((function | 0x80, _ILLEGAL_VALUE))
        elif address < instrument.first or address + count > instrument.first + instrument.length:
            body = bytes((function | 0x80, _ILLEGAL_ADDRESS))
        else:
            start = address - instrument.first
            words = instrument.registers(truth)[start : start + count]
            body = bytes((function, 2 * count)) + b"".join(word.to_bytes(2, "big") for word in words)
        self._send(with_crc(bytes((device_id,)) + body), self.faults.get(device_id, WireFaults()))

    def _send(self, answer: bytes, faults: WireFaults) -> None:
        chance = self._random.random
        if chance() < faults.silence:
            return
        if chance() < faults.bad_crc:
            answer = answer[:-1] + bytes((answer[-1] ^ 0x55,))
        if chance() < faults.truncated:
            answer = answer[: self._random.randrange(1, len(answer))]
        if chance() < faults.noise:
            answer = self._random.randbytes(self._random.randrange(1, 6)) + answer
        delay = faults.lag_seconds + (faults.late_seconds if chance() < faults.late else 0.0)
        if delay <= 0.0:
            self._terminal.send(answer)
            return
        loop = asyncio.get_running_loop()
        self._pending = {handle for handle in self._pending if handle.when() > loop.time()}
        self._pending.add(loop.call_later(delay, self._terminal.send, answer))
