"""A picture as a PNG file (ISO/IEC 15948): eight bits for each colour, no interlace, no dates inside."""

from __future__ import annotations

import struct
import zlib

import numpy as np
import numpy.typing as npt

_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_EIGHT_BITS, _RGB = 8, 2


def png(picture: npt.NDArray[np.uint8]) -> bytes:
    """Bytes of the file. `picture`: (height, width, 3), red, green and blue. Raises ValueError for another shape."""
    if picture.ndim != 3 or picture.shape[2] != 3 or picture.dtype != np.uint8 or 0 in picture.shape:
        raise ValueError(f"a picture of (height, width, 3) bytes is needed, not {picture.shape} of {picture.dtype}")
    height, width, _ = picture.shape
    head = struct.pack(">IIBBBBB", width, height, _EIGHT_BITS, _RGB, 0, 0, 0)
    rows = np.zeros((height, 1 + 3 * width), np.uint8)  # each row begins with its filter: 0, none
    rows[:, 1:] = picture.reshape(height, 3 * width)
    return b"".join(
        [_SIGNATURE, _chunk(b"IHDR", head), _chunk(b"IDAT", zlib.compress(rows.tobytes(), 9)), _chunk(b"IEND", b"")]
    )


def _chunk(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))
