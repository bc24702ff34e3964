"""What the devices of a Modbus line are read through, whether it is a serial line or a TCP connection."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, TypeAlias

from loggerd.decoding.registers import Table
from loggerd.errors import Refused

FUNCTIONS: dict[Table, int] = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
"""Function code that reads each table. There are no others in loggerd: it never writes to an instrument."""

_EXCEPTION_WORDS = {
    1: "it does not know this kind of request (illegal function)",
    2: "it has no such registers (illegal data address)",
    3: "it does not accept this number of registers (illegal data value)",
    4: "it reports a failure of its own (device failure)",
    5: "it needs longer for this (acknowledge)",
    6: "it is busy",
    8: "it reports a fault of its memory (memory parity)",
    10: "the gateway has no path to it",
    11: "the gateway got no answer from it",
}
_NO_SUCH_THING = frozenset({1, 2, 3})
_ANSWER_MAY_FOLLOW = frozenset({5, 6, 10, 11})


@dataclass(frozen=True)
class Request:
    """`count` registers or bits of a table of one device, from `address` on. `device` is its name in the
    settings.
    """

    device: str
    device_id: int
    table: Table
    address: int
    count: int

    @property
    def function(self) -> int:
        """The function code that reads this table."""
        return FUNCTIONS[self.table]

    @property
    def answer_bytes(self) -> int:
        """Bytes of values in the right answer."""
        return (self.count + 7) // 8 if self.table in {"coil", "discrete"} else 2 * self.count

    def __str__(self) -> str:
        last = self.address + self.count - 1
        return f"{self.table} {self.address}" + (f" to {last}" if self.count > 1 else "")


@dataclass(frozen=True)
class ExceptionAnswer:
    """The device answered that it cannot do this (Modbus exception code)."""

    code: int

    @property
    def concerns_registers(self) -> bool:
        """Whether only the registers asked for are refused: the device itself is well."""
        return self.code in _NO_SUCH_THING

    @property
    def answer_may_follow(self) -> bool:
        """Whether the real answer may still be under way behind this one (a busy device, an impatient
        gateway).
        """
        return self.code in _ANSWER_MAY_FOLLOW

    def refusal(self, request: Request) -> Refused:
        """The error for a keeper."""
        words = _EXCEPTION_WORDS.get(self.code, "without a known reason")
        return Refused(request.device, f"asked for {request}, it answered exception {self.code}: {words}")


Answer: TypeAlias = tuple[int, ...] | ExceptionAnswer


class Wire(Protocol):
    """One line or connection. One request at a time; opened when needed, and again after it was lost."""

    @property
    def connections(self) -> int:
        """How often it has been opened; what was learnt of a device before may not hold on a new connection."""
        ...

    async def read(self, request: Request) -> Answer:
        """Words (or bits) asked for, exactly `count` of them, or the device's exception.

        Raises Absent (the port or host is not there), Silent (no answer in time) or Garbled (none that can be
        right).
        """
        ...

    async def settle(self) -> None:
        """After a failure: wait until an answer that is late can no longer be taken for the next one."""
        ...

    async def close(self) -> None:
        """Close the port or connection; `read` opens it again."""
        ...
