"""Modbus registers to raw counts: which registers to read, and what number stands in them.

A value occupies one word (16 bit) or two or four words. How its bytes lie on the wire is told by the order in
which the bytes A (most significant) B C D of a 32-bit value are sent: ABCD, CDAB (words swapped), BADC (bytes
swapped in each word), DCBA (both). For 64 bit the same two swaps are meant; for 16 bit only the byte swap
matters. The names are used differently in the field, so an order is checked by the bytes on the wire, never
by its name.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias, get_args

from loggerd.model.channels import MISSING

Table: TypeAlias = Literal["holding", "input", "coil", "discrete"]
RegisterType: TypeAlias = Literal["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64"]
ByteOrder: TypeAlias = Literal["ABCD", "CDAB", "BADC", "DCBA"]
Words: TypeAlias = Mapping[int, int]
"""What was read of one table: address to word (0..65535) or bit (0, 1)."""

MOST_REGISTERS = 125
"""Of one request, Modbus application protocol 1.1b3, functions 3 and 4."""
MOST_BITS = 2000
"""Of one request, functions 1 and 2."""
MOST_COUNT = 2**53
"""Counts made from floats stop here: beyond it a float no longer tells neighbouring whole numbers apart."""
_MOST_INTEGER = 2**63 - 1
_SCALE_LIMIT = 10
"""Powers of ten beyond this are taken as "no value", as SunSpec does."""

_FORMATS: dict[RegisterType, tuple[str, int]] = {
    "int16": (">h", 1),
    "uint16": (">H", 1),
    "int32": (">i", 2),
    "uint32": (">I", 2),
    "int64": (">q", 4),
    "uint64": (">Q", 4),
    "float32": (">f", 2),
    "float64": (">d", 4),
}


@dataclass(frozen=True)
class RegisterPlace:
    """Where a channel's number stands in a Modbus device.

    `address` is the address in the request, from 0. `type` and `order` do not matter for coils and discrete
    inputs. `scale_address` is a register (int16) of the same table holding a power of ten. `not_a_value`
    lists numbers that mean "no value", compared with the number and with its bare bits (so 32768 also means
    an int16 of -32768). `resolution` is the size of one count where the value is a float or has a scale
    register.

    Raises ValueError for a place that cannot exist.
    """

    table: Table
    address: int
    type: RegisterType = "uint16"
    order: ByteOrder = "ABCD"
    scale_address: int | None = None
    not_a_value: tuple[int, ...] = ()
    resolution: float = 1.0

    def __post_init__(self) -> None:
        for name, value, known in (
            ("table", self.table, get_args(Table)),
            ("type", self.type, get_args(RegisterType)),
            ("order", self.order, get_args(ByteOrder)),
        ):
            if value not in known:
                raise ValueError(f"{name} {value!r} is none of {', '.join(known)}")
        for address, words in self._spans():
            if not 0 <= address <= 65536 - words:
                raise ValueError(f"address {address} is outside 0 to {65536 - words}")
        if not (self.resolution > 0 and math.isfinite(self.resolution)):
            raise ValueError(f"resolution {self.resolution} is not above 0")
        if self.is_bit and self.scale_address is not None:
            raise ValueError(f"a {self.table} has no scale register")

    @property
    def is_bit(self) -> bool:
        """Whether the place is a single bit."""
        return self.table in {"coil", "discrete"}

    @property
    def words(self) -> int:
        """Number of words (or bits) that the value occupies."""
        return 1 if self.is_bit else _FORMATS[self.type][1]

    def _spans(self) -> Iterable[tuple[int, int]]:
        """(address, length) of the value and of its scale register."""
        yield self.address, self.words
        if self.scale_address is not None:
            yield self.scale_address, 1


@dataclass(frozen=True)
class Read:
    """One request: `count` registers (or bits) of a table from `address` on."""

    table: Table
    address: int
    count: int


def plan_reads(places: Sequence[RegisterPlace], gap: int = 0) -> tuple[Read, ...]:
    """Return the requests that fetch every place, each place whole within one of them.

    Neighbouring and overlapping places are read together, over holes of at most `gap` registers that nobody
    asked for (many devices refuse to read over a hole, so 0 unless it is known that they do not). A value of
    several words is never divided between two requests, whose words might be of different instants. As far as
    it costs nothing, requests that follow each other have different lengths: on a line without transaction
    numbers, the late answer to the one then does not fit the other.
    """
    spans = sorted({(place.table, *span) for place in places for span in place._spans()})
    reads: list[Read] = []
    for table, address, length in spans:
        last = reads[-1] if reads else None
        if last is not None and last.table == table and address <= last.address + last.count + gap:
            count = max(last.count, address + length - last.address)
            if count <= _most(table, reads):
                reads[-1] = Read(table, last.address, count)
                continue
        reads.append(Read(table, address, length))
    return _neighbours_unlike(reads)


def _most(table: Table, reads: list[Read]) -> int:
    """Longest request; one shorter for each one before, so that full requests differ in length."""
    most = MOST_BITS if table in {"coil", "discrete"} else MOST_REGISTERS
    return max(most - len(reads) + 1, most // 2)


def _neighbours_unlike(reads: list[Read]) -> tuple[Read, ...]:
    """Reorder so that, where possible, no request follows one of the same table and length."""
    left, ordered = list(reads), list[Read]()
    while left:
        before = ordered[-1] if ordered else None
        unlike = (r for r in left if before is None or (r.table, r.count) != (before.table, before.count))
        ordered.append(next(unlike, left[0]))
        left.remove(ordered[-1])
    return tuple(ordered)


def decode(place: RegisterPlace, words: Words) -> int:
    """Return the raw count of a place, given what was read of its table.

    Integers come as they are (saturated to what fits 64 bits with sign). Floats and scaled values come as
    round(value / resolution), saturated to +-2**53. MISSING where a word was not read, for a number listed in
    `not_a_value`, for a float that is not a number, and for a power of ten outside -10..10.
    """
    raw = [words.get(address) for address in range(place.address, place.address + place.words)]
    present = [word for word in raw if word is not None]
    if len(present) < len(raw):
        return MISSING
    if place.is_bit:
        return MISSING if present[0] in place.not_a_value else present[0]
    data = in_plain_order(present, place.order)
    (value,) = struct.unpack(_FORMATS[place.type][0], data)
    if value in place.not_a_value or int.from_bytes(data, "big") in place.not_a_value:
        return MISSING
    if place.scale_address is not None:
        return scaled_count(value, signed_word(words.get(place.scale_address)), place.resolution)
    if isinstance(value, float):
        return _count(value, place.resolution)
    return min(int(value), _MOST_INTEGER)


def decode_scan(places: Sequence[RegisterPlace], tables: Mapping[Table, Words]) -> tuple[int, ...]:
    """Raw counts of all places of a device, in their order, given what was read of each table."""
    nothing: Words = {}
    return tuple(decode(place, tables.get(place.table, nothing)) for place in places)


def in_plain_order(words: Sequence[int], order: ByteOrder) -> bytes:
    """The bytes of a value, most significant first, from its words as they came in a given order."""
    if order in {"CDAB", "DCBA"}:
        words = words[::-1]
    return struct.pack(f"{'<' if order in {'BADC', 'DCBA'} else '>'}{len(words)}H", *words)


def signed_word(word: int | None) -> int | None:
    """A word as an int16."""
    return word - 65536 if word is not None and word >= 32768 else word


def scaled_count(value: float, power_of_ten: int | None, resolution: float) -> int:
    """Count of `resolution` in value x 10**power_of_ten; MISSING for a power outside -10..10 or None."""
    if power_of_ten is None or abs(power_of_ten) > _SCALE_LIMIT:
        return MISSING
    # Division by a whole power of ten rounds once; multiplying by 10**-2 would round twice.
    scaled = value * 10**power_of_ten if power_of_ten >= 0 else value / 10**-power_of_ten
    return _count(scaled, resolution)


def _count(value: float, resolution: float) -> int:
    if math.isnan(value):
        return MISSING
    counts = value / resolution
    return round(max(-MOST_COUNT, min(MOST_COUNT, counts)))
