"""The small blocks of one commit, several devices together, deflated as one: the form of a hot row.

Ten seconds of a device are too little for a deflate stream per column. Time stamps of the devices of one commit
resemble each other, and so do their columns, so all go into one stream.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Collection, Sequence

from loggerd.errors import StoreDamaged
from loggerd.model.scan import ScanBlock
from loggerd.store.codec import (
    CODEC_VERSION,
    Tag,
    deflate,
    inflate,
    pack_column,
    read_number,
    unpack_column,
    write_number,
)

_HEAD = struct.Struct("<BI")
_TAG = struct.Struct("<Bqqq")


def encode_bundle(tag: Tag, blocks: Sequence[tuple[int, ScanBlock]]) -> bytes:
    """Bytes of the given blocks, each with the number of its device."""
    parts = [write_number(len(blocks))]
    for device, block in blocks:
        parts += [write_number(device), write_number(len(block)), write_number(len(block.series))]
        parts += [write_number(series) for series in block.series]
        parts += [pack_column(block.mono_ms), pack_column(block.wall_minus_mono_ms), pack_column(block.clock)]
        parts += [pack_column(column) for column in block.counts]
    raw = b"".join(parts)
    return _HEAD.pack(CODEC_VERSION, _checksum(tag, raw)) + deflate(raw)


def decode_bundle(
    payload: bytes, tag: Tag, device_name: Callable[[int], str | None], wanted: Collection[int] | None = None
) -> list[ScanBlock]:
    """The blocks of a commit, with only the `wanted` series where given (blocks without any are left out).

    Raises StoreDamaged when the check sum is wrong or the bytes are not such a bundle.
    """
    if len(payload) < _HEAD.size:
        raise StoreDamaged("a stored commit ends too early")
    version, checksum = _HEAD.unpack_from(payload)
    if version != CODEC_VERSION:
        raise StoreDamaged(f"a stored commit is in form {version}, which is not known")
    raw = inflate(payload[_HEAD.size :])
    if _checksum(tag, raw) != checksum:
        raise StoreDamaged("a stored commit fails its check sum")
    count, at = read_number(raw, 0)
    blocks = []
    for _ in range(count):
        block, at = _read_block(raw, at, tag[0], device_name, wanted)
        if block.series:
            blocks.append(block)
    return blocks


def _read_block(
    raw: bytes, at: int, session: int, device_name: Callable[[int], str | None], wanted: Collection[int] | None
) -> tuple[ScanBlock, int]:
    device, at = read_number(raw, at)
    name = device_name(device)
    if name is None:
        raise StoreDamaged(f"a stored commit is of device {device}, which the record does not know")
    n, at = read_number(raw, at)
    width, at = read_number(raw, at)
    series = []
    for _ in range(width):
        identity, at = read_number(raw, at)
        series.append(identity)
    columns = []
    for _ in range(3 + width):
        column, at = unpack_column(raw, at, n)
        columns.append(column)
    kept = [i for i, identity in enumerate(series) if wanted is None or identity in wanted]
    block = ScanBlock(
        name,
        session,
        tuple(series[i] for i in kept),
        columns[0],
        columns[1],
        columns[2],
        tuple(columns[3 + i] for i in kept),
    )
    return block, at


def _checksum(tag: Tag, raw: bytes) -> int:
    return zlib.crc32(raw, zlib.crc32(_TAG.pack(CODEC_VERSION, *tag)))
