"""A bank at loopback that works fast: Modbus TCP devices whose current changes about once a second.

Every device id answers: register 0 is the current in tenths of an ampere, register 1 the voltage in hundredths of a
volt, registers 2 to 5 block voltages in hundredths, register 6 a temperature in tenths of a degree, register 7 the
current with the other sign.
"""

from __future__ import annotations

import asyncio
import math
import time
from collections.abc import Callable

from tcp_servers import ScriptedTcpServer, frame

STEPS = (
    (-30_000, 2290),
    (-30_000, 2280),
    (0, 2500),
    (27_000, 2790),
    (27_000, 2900),
    (0, 2750),
    (7, 2960),
    (0, 2600),
    (-12_000, 2400),
    (20_000, 2750),
)
"""Tenths of an ampere and hundredths of a volt, one after the other: a full charge is among them."""


def registers(device_id: int, seconds: float, step_seconds: float = 1.2) -> list[int]:
    """What a device's first eight registers say after so many seconds."""
    amps, volts = STEPS[int(seconds / step_seconds + 0.3 * device_id) % len(STEPS)]
    amps += round(math.sin(37 * seconds))
    volts += round(5 * math.sin(0.5 * seconds))
    blocks = [volts // 4 + (index * 3 + round(10 * seconds)) % 4 for index in range(4)]
    air = 215 + round(10 * math.sin(seconds / 20))
    return [amps & 0xFFFF, volts, *blocks, air, -amps & 0xFFFF]


class QuickBank(ScriptedTcpServer):
    """Serves `registers`; counts requests and notes function codes. `seconds` tells the time it goes by."""

    def __init__(self, seconds: Callable[[], float] = time.monotonic, step_seconds: float = 1.2) -> None:
        super().__init__(self._answer)
        self.requests = 0
        self.functions: set[int] = set()
        self._seconds = seconds
        self._step_seconds = step_seconds

    async def _answer(self, request: bytes, writer: asyncio.StreamWriter) -> None:
        self.requests += 1
        self.functions.add(request[7])
        first, count = int.from_bytes(request[8:10], "big"), int.from_bytes(request[10:12], "big")
        words = registers(request[6], self._seconds(), self._step_seconds)[first : first + count]
        data = b"".join(word.to_bytes(2, "big") for word in words)
        writer.write(frame(request[:2], request[6], bytes((request[7], len(data))) + data))
        await writer.drain()
