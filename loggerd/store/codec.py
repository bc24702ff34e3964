"""Columns of int64 to bytes and back, without loss, guarded by check sums.

A column becomes: first value, then differences (less a common step where that helps), zig-zag folded so that small
differences of either sign are small numbers, in the narrowest of 0, 1, 2, 4 or 8 bytes, the bytes of equal weight
side by side. Delta, zig-zag and byte shuffle are common practice; deflate (RFC 1951) does the rest. All arithmetic is
modulo 2**64, so that every int64 column comes back as it was, MISSING (kept as a bitmap) and extremes included.

A sealed block deflates each column by itself, so that a reader inflates only the columns it wants. Noise of a few
counts leaves deflate nothing but its Huffman coding to use: the "filtered" strategy is smaller there and decodes
as fast (tests/benchmarks prints the choice).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from loggerd.errors import StoreDamaged
from loggerd.model.channels import MISSING
from loggerd.model.scan import Integers

CODEC_VERSION = 1
DEFLATE_LEVEL = 6
DEFLATE_STRATEGY = zlib.Z_FILTERED

_EMPTY = 0x40
_HAS_STEP = 0x20
_HAS_GAPS = 0x10
_WIDTH = 0x0F
_HEAD = struct.Struct("<BqqqIH")
_COLUMN = struct.Struct("<qII")
_SUM = struct.Struct("<I")
_MASK = 2**64 - 1

Tag = tuple[int, int, int]
"""What the row that holds a block says it is; stored inside the block and compared on reading."""


@dataclass(frozen=True)
class Columns:
    """Columns of equal length `n`, by id, in the order in which they were given."""

    n: int
    by_id: dict[int, Integers]


# -- one column --


def pack_column(column: Integers) -> bytes:
    """Bytes of one column, not yet deflated."""
    present = column != MISSING
    head, bitmap, values = 0, b"", column
    if not present.all():
        head, bitmap, values = _HAS_GAPS, np.packbits(present).tobytes(), column[present]
    if len(values) == 0:
        return bytes([_EMPTY])
    folded, step = _fold_differences(np.diff(values))
    width = _narrowest(folded)
    head |= width | (_HAS_STEP if step else 0)
    return b"".join(
        (
            bytes([head]),
            write_number(int(values[0])),
            write_number(step) if step else b"",
            bitmap,
            _shuffle(folded, width),
        )
    )


def unpack_column(raw: bytes, start: int, n: int) -> tuple[Integers, int]:
    """The column of length `n` that begins at `start`, and where the next one begins.

    Raises StoreDamaged when the bytes cannot be such a column.
    """
    head = _byte(raw, start)
    if head == _EMPTY:
        return np.full(n, MISSING, dtype=np.int64), start + 1
    first, at = read_number(raw, start + 1)
    step = 0
    if head & _HAS_STEP:
        step, at = read_number(raw, at)
    present: npt.NDArray[np.bool_] | None = None
    count = n
    if head & _HAS_GAPS:
        size = (n + 7) // 8
        bits = np.frombuffer(_take(raw, at, size), dtype=np.uint8)
        present = np.unpackbits(bits, count=n).view(np.bool_)
        count, at = int(np.count_nonzero(present)), at + size
    if count < 1 or head & _WIDTH not in (0, 1, 2, 4, 8):
        raise StoreDamaged("a column of readings does not make sense")
    size = (count - 1) * (head & _WIDTH)
    values = _sum_up(first, step, _take(raw, at, size), head & _WIDTH, count)
    if present is None:
        return values, at + size
    column = np.full(n, MISSING, dtype=np.int64)
    column[present] = values
    return column, at + size


def _fold_differences(differences: Integers) -> tuple[npt.NDArray[np.uint64], int]:
    folded = _zigzag(differences)
    width = _narrowest(folded)
    if width:
        # Time stamps, and counters that run evenly, are nearly straight lines: take the slope out if it narrows.
        middle = len(differences) // 2
        step = int(np.partition(differences, middle)[middle])
        if step:
            straight = _zigzag(differences - np.int64(step))
            if _narrowest(straight) < width:
                return straight, step
    return folded, 0


def _zigzag(differences: Integers) -> npt.NDArray[np.uint64]:
    folded: npt.NDArray[np.uint64] = ((differences << 1) ^ (differences >> 63)).view(np.uint64)
    return folded


def _narrowest(folded: npt.NDArray[np.uint64]) -> int:
    top = int(folded.max()) if len(folded) else 0
    for width, limit in ((0, 0), (1, 2**8 - 1), (2, 2**16 - 1), (4, 2**32 - 1)):
        if top <= limit:
            return width
    return 8


def _shuffle(folded: npt.NDArray[np.uint64], width: int) -> bytes:
    if width == 0:
        return b""
    narrow = folded.astype(f"<u{width}")
    return narrow.view(np.uint8).reshape(-1, width).T.tobytes()


def _sum_up(first: int, step: int, packed: bytes, width: int, count: int) -> Integers:
    values = np.empty(count, dtype=np.int64)
    values[0] = first
    if width == 0:
        values[1:] = first
    elif width == 1:
        # One look-up for each byte, which most columns are made of, is a third faster than undoing the fold by sums.
        values[1:] = np.frombuffer(packed.translate(_UNFOLDED), dtype=np.int8)
        np.add.accumulate(values, out=values)
    else:
        folded = _unshuffle(packed, width)
        one = folded.dtype.type(1)
        sign = folded & one
        np.negative(sign, out=sign)
        sign ^= folded >> one
        values[1:] = sign.view(f"<i{width}")
        np.add.accumulate(values, out=values)
    if step:
        values += np.arange(count, dtype=np.int64) * np.int64(step)
    return values


_UNFOLDED = bytes((folded >> 1) ^ (0xFF * (folded & 1)) for folded in range(256))
"""The signed byte that each zig-zag folded byte stands for."""


def _unshuffle(packed: bytes, width: int) -> npt.NDArray[np.unsignedinteger[Any]]:
    planes = np.frombuffer(packed, dtype=np.uint8).reshape(width, -1)
    # Plane by plane: four times as fast as copying the transposed array.
    together = np.empty((planes.shape[1], width), dtype=np.uint8)
    for i in range(width):
        together[:, i] = planes[i]
    folded: npt.NDArray[np.unsignedinteger[Any]] = together.view(f"<u{width}").reshape(-1)
    return folded


def write_number(value: int) -> bytes:
    """A signed 64-bit number in 1 to 10 bytes, seven bits a byte."""
    left = ((value << 1) ^ (value >> 63)) & _MASK
    out = bytearray()
    while left > 0x7F:
        out.append(left & 0x7F | 0x80)
        left >>= 7
    out.append(left)
    return bytes(out)


def read_number(raw: bytes, at: int) -> tuple[int, int]:
    """The number at `at`, and where the next thing begins. Raises StoreDamaged."""
    value = 0
    for shift in range(0, 70, 7):
        byte = _byte(raw, at)
        at += 1
        value |= (byte & 0x7F) << shift
        if byte < 0x80:
            value &= _MASK
            return (value >> 1) ^ -(value & 1), at
    raise StoreDamaged("a number in a block of readings does not end")


def _byte(raw: bytes, at: int) -> int:
    if at >= len(raw):
        raise StoreDamaged("a block of readings ends too early")
    return raw[at]


def _take(raw: bytes, at: int, size: int) -> bytes:
    if at + size > len(raw):
        raise StoreDamaged("a block of readings ends too early")
    return raw[at : at + size]


# -- a block of columns, each deflated by itself --


def encode_block(tag: Tag, columns: Sequence[tuple[int, Integers]]) -> bytes:
    """Bytes of a block: header with its own check sum, then one deflated stream for each column."""
    n = len(columns[0][1])
    head = [_HEAD.pack(CODEC_VERSION, *tag, n, len(columns))]
    streams = []
    for identity, column in columns:
        raw = pack_column(column)
        stream = deflate(raw)
        head.append(_COLUMN.pack(identity, len(stream), zlib.crc32(raw)))
        streams.append(stream)
    header = b"".join(head)
    return b"".join((header, _SUM.pack(zlib.crc32(header)), *streams))


def decode_block(payload: bytes, tag: Tag, wanted: Collection[int] | None = None) -> Columns:
    """The columns of a block, or only those whose id is `wanted`; the others are not inflated.

    Raises StoreDamaged when a check sum is wrong, when bytes are missing, or when the block is not the one that
    `tag` says.
    """
    version = _byte(payload, 0)
    if version != CODEC_VERSION:
        raise StoreDamaged(f"a block of readings is in form {version}, which is not known")
    _, *found, n, count = _HEAD.unpack(_take(payload, 0, _HEAD.size))
    end = _HEAD.size + count * _COLUMN.size
    header = _take(payload, 0, end)
    (checksum,) = _SUM.unpack(_take(payload, end, _SUM.size))
    if zlib.crc32(header) != checksum:
        raise StoreDamaged("the head of a block of readings fails its check sum")
    if tuple(found) != tag:
        raise StoreDamaged("a block of readings is not in its place")
    at = end + _SUM.size
    by_id = {}
    for identity, size, column_sum in _COLUMN.iter_unpack(header[_HEAD.size :]):
        if wanted is None or identity in wanted:
            by_id[identity] = _decode_stream(_take(payload, at, size), column_sum, n)
        at += size
    return Columns(n, by_id)


def _decode_stream(stream: bytes, checksum: int, n: int) -> Integers:
    raw = inflate(stream)
    if zlib.crc32(raw) != checksum:
        raise StoreDamaged("a column of readings fails its check sum")
    return unpack_column(raw, 0, n)[0]


def deflate(raw: bytes) -> bytes:
    """Raw deflate stream (no zlib header: the blocks have check sums of their own)."""
    worker = zlib.compressobj(DEFLATE_LEVEL, zlib.DEFLATED, -zlib.MAX_WBITS, 9, DEFLATE_STRATEGY)
    return worker.compress(raw) + worker.flush()


def inflate(stream: bytes) -> bytes:
    """Opposite of deflate. Raises StoreDamaged."""
    try:
        return zlib.decompress(stream, -zlib.MAX_WBITS)
    except zlib.error as error:
        raise StoreDamaged(f"a block of readings cannot be unpacked ({error})") from error
