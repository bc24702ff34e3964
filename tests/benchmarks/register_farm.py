"""A process with many simulated Modbus TCP instruments, cheap enough not to disturb what is measured beside it.

Run: python register_farm.py PORTS. Prints the ports, then `first SECONDS` when the first request has come (the system
clock that time.monotonic() reads, the same in all processes). Any device id answers; registers move a little.
"""

from __future__ import annotations

import asyncio
import random
import select
import struct
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from subprocess import PIPE, Popen
from typing import IO

_PATIENCE_SECONDS = 30.0


class _Instrument(asyncio.Protocol):
    """Answers function 3 with int32 values of a few thousand; the first one changes sign every 3600 answers."""

    told = False

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._rest = b""
        self._answers = [0] * 256

    def data_received(self, data: bytes) -> None:
        if not _Instrument.told:
            _Instrument.told = True
            print(f"first {time.monotonic()}", flush=True)
        self._rest += data
        while len(self._rest) >= 12:
            request, self._rest = self._rest[:12], self._rest[12:]
            number, _, _, device_id, _, address, count = struct.unpack(">HHHBBHH", request)
            self._answers[device_id] += 1
            values = [
                2500 + 20 * at + device_id + random.randrange(8) for at in range(address // 2, (address + count) // 2)
            ]
            if address == 0 and (self._answers[device_id] + 180 * device_id) % 7200 < 3600:
                values[0] = -values[0]
            body = struct.pack(f">BBB{len(values)}i", device_id, 3, 4 * len(values), *values)
            self._transport.write(struct.pack(">HHH", number, 0, len(body)) + body)


async def _serve(ports: int) -> None:
    loop = asyncio.get_running_loop()
    servers = [await loop.create_server(_Instrument, "127.0.0.1", 0) for _ in range(ports)]
    print(*(server.sockets[0].getsockname()[1] for server in servers), flush=True)
    await asyncio.Event().wait()


def first_request(told: IO[str]) -> float:
    """Wait for the first request at a farm; its time.monotonic(). Raises TimeoutError."""
    if not select.select([told], [], [], _PATIENCE_SECONDS)[0]:
        raise TimeoutError("the service asked for nothing; what it printed says why")
    return float(told.readline().removeprefix("first"))


@contextmanager
def register_farm(ports: int) -> Iterator[tuple[list[int], IO[str]]]:
    """The farm in a process of its own: its ports, and what it prints after them."""
    with Popen([sys.executable, __file__, str(ports)], stdout=PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield [int(port) for port in process.stdout.readline().split()], process.stdout
        finally:
            process.kill()


if __name__ == "__main__":
    asyncio.run(_serve(int(sys.argv[1])))
