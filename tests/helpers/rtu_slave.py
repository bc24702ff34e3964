"""Modbus RTU devices on a pseudo-terminal, written from the specification: they answer rightly or as told
wrongly.

Nothing of loggerd or of the Modbus library is used here, so that a fault in either cannot hide itself.
"""

from __future__ import annotations

import asyncio
import os
import random
import tty
from collections.abc import Callable
from dataclasses import dataclass, field


def crc16(data: bytes) -> bytes:
    """CRC-16/MODBUS, low byte first: polynomial 0xA001 reflected, start 0xFFFF."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc.to_bytes(2, "little")


def closed(data: bytes) -> bytes:
    """A frame with its checksum."""
    return data + crc16(data)


@dataclass(frozen=True)
class Asked:
    """A request as the devices have heard it; `number` counts the requests of the line, from 1."""

    number: int
    frame: bytes

    @property
    def device_id(self) -> int:
        return self.frame[0]

    @property
    def function(self) -> int:
        return self.frame[1]

    @property
    def address(self) -> int:
        return int.from_bytes(self.frame[2:4], "big")

    @property
    def count(self) -> int:
        return int.from_bytes(self.frame[4:6], "big")


Plan = list[tuple[float, bytes]]
"""What is sent after a request: (seconds after it, bytes)."""
Fault = Callable[[Asked, bytes, random.Random], Plan]


def word_of(asked: Asked, address: int) -> int:
    """A register's content: it tells the address and the number of the request, so that a wrong one shows."""
    return (address * 7919 + asked.number * 104729) & 0xFFFF


@dataclass
class RtuSlave:
    """The devices `device_ids` on one line; `path` is the port to open.

    `fault` chooses for each request what goes wrong (None: nothing). `word` gives the content of a register.
    """

    device_ids: tuple[int, ...]
    fault: Callable[[Asked], Fault | None] = lambda _asked: None
    word: Callable[[Asked, int], int] = word_of
    seed: int = 1
    asked: list[Asked] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._random = random.Random(self.seed)
        self._buffer = b""
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        os.set_blocking(self.master, False)
        self._loop = asyncio.get_running_loop()
        self._loop.add_reader(self.master, self._receive)

    def unplug(self) -> None:
        """The port vanishes."""
        self._loop.remove_reader(self.master)
        os.close(self.master)
        os.close(self._slave)

    def send(self, data: bytes) -> None:
        """Put bytes on the line unasked."""
        os.write(self.master, data)

    def _receive(self) -> None:
        self._buffer += os.read(self.master, 4096)
        while len(self._buffer) >= 8:
            frame = self._buffer[:8]
            if crc16(frame[:6]) != frame[6:]:
                self._buffer = self._buffer[1:]
                continue
            self._buffer = self._buffer[8:]
            self._answer(Asked(len(self.asked) + 1, frame))

    def _answer(self, asked: Asked) -> None:
        self.asked.append(asked)
        if asked.device_id not in self.device_ids:
            return
        right = self.right_answer(asked)
        fault = self.fault(asked)
        plan = fault(asked, right, self._random) if fault else [(0.0, right)]
        for seconds, data in plan:
            if seconds:
                self._loop.call_later(seconds, self._send_later, data)
            else:
                self.send(data)

    def _send_later(self, data: bytes) -> None:
        try:
            self.send(data)
        except OSError:
            return  # unplugged meanwhile

    def right_answer(self, asked: Asked) -> bytes:
        head = bytes((asked.device_id, asked.function))
        if asked.function in {3, 4}:
            words = [self.word(asked, asked.address + i) for i in range(asked.count)]
            data = b"".join(word.to_bytes(2, "big") for word in words)
        else:
            bits = sum((self.word(asked, asked.address + i) & 1) << i for i in range(asked.count))
            data = bits.to_bytes((asked.count + 7) // 8, "little")
        return closed(head + bytes((len(data),)) + data)


def noise(random_: random.Random, least: int = 1, most: int = 12) -> bytes:
    return random_.randbytes(random_.randint(least, most))


def silence(_asked: Asked, _right: bytes, _random: random.Random) -> Plan:
    return []


def echo(asked: Asked, right: bytes, _random: random.Random) -> Plan:
    return [(0, asked.frame), (0, right)]


def echo_alone(asked: Asked, _right: bytes, _random: random.Random) -> Plan:
    return [(0, asked.frame)]


def collision(asked: Asked, right: bytes, random_: random.Random) -> Plan:
    """Two devices drive the line at once: of each bit, the stronger driver's zero wins."""
    other = closed(bytes((asked.device_id % 247 + 1, asked.function)) + random_.randbytes(len(right) - 4))
    return [(0, bytes(a & b for a, b in zip(right, other, strict=True)))]


def other_unit(asked: Asked, right: bytes, _random: random.Random) -> Plan:
    return [(0, closed(bytes((asked.device_id % 247 + 1,)) + right[1:-2]))]


def other_unit_first(asked: Asked, right: bytes, random_: random.Random) -> Plan:
    return [*other_unit(asked, right, random_), (0, right)]


def truncated(_asked: Asked, right: bytes, random_: random.Random) -> Plan:
    return [(0, right[: random_.randint(1, len(right) - 1)])]


def bad_checksum(_asked: Asked, right: bytes, random_: random.Random) -> Plan:
    at = random_.randrange(len(right))
    return [(0, right[:at] + bytes((right[at] ^ random_.randint(1, 255),)) + right[at + 1 :])]


def noise_before(_asked: Asked, right: bytes, random_: random.Random) -> Plan:
    return [(0, noise(random_) + right)]


def noise_after(_asked: Asked, right: bytes, random_: random.Random) -> Plan:
    return [(0, right + noise(random_))]


def noise_inside(_asked: Asked, right: bytes, random_: random.Random) -> Plan:
    at = random_.randint(1, len(right) - 1)
    return [(0, right[:at] + noise(random_) + right[at:])]


def noise_alone(_asked: Asked, right: bytes, random_: random.Random) -> Plan:
    return [(0, random_.randbytes(len(right)))]


def duplicate(_asked: Asked, right: bytes, _random: random.Random) -> Plan:
    return [(0, right), (0, right)]


def split(_asked: Asked, right: bytes, random_: random.Random) -> Plan:
    at = random_.randint(1, len(right) - 1)
    return [(0, right[:at]), (0.002, right[at:])]


def exception(asked: Asked, _right: bytes, random_: random.Random) -> Plan:
    code = random_.choice((1, 2, 3, 4, 5, 6, 8, 10, 11))
    return [(0, closed(bytes((asked.device_id, asked.function | 0x80, code))))]


def wrong_byte_count(_asked: Asked, right: bytes, random_: random.Random) -> Plan:
    count = right[2] + random_.choice((-2, -1, 1, 2))
    return [(0, closed(right[:2] + bytes((count,)) + right[3:-2]))]


def fewer_registers(_asked: Asked, right: bytes, _random: random.Random) -> Plan:
    return [(0, closed(right[:2] + bytes((right[2] - 2,)) + right[3:-4]))]


def wrong_function(_asked: Asked, right: bytes, _random: random.Random) -> Plan:
    return [(0, closed(bytes((right[0], 7 - right[1])) + right[2:-2]))]


def late(seconds: float, most_seconds: float) -> Fault:
    """The right answer, somewhere between these times after the request."""

    def answer(_asked: Asked, right: bytes, random_: random.Random) -> Plan:
        return [(random_.uniform(seconds, most_seconds), right)]

    return answer


def late_behind_exception(seconds: float) -> Fault:
    """A gateway says that it got no answer, and then hands on the answer after all."""

    def answer(asked: Asked, right: bytes, _random: random.Random) -> Plan:
        refusal = closed(bytes((asked.device_id, asked.function | 0x80, 11)))
        return [(0, refusal), (seconds, right)]

    return answer
