"""The checksum of Modbus RTU, computed here on its own so that simulator and service do not share a mistake."""

from __future__ import annotations


def _table() -> tuple[int, ...]:
    entries = []
    for byte in range(256):
        for _ in range(8):
            byte = byte >> 1 ^ (0xA001 if byte & 1 else 0)  # noqa: PLW2901 - shifted out bit by bit
        entries.append(byte)
    return tuple(entries)


_TABLE = _table()


def crc16(data: bytes) -> int:
    """CRC-16 of Modbus over Serial Line (V1.02, 6.2.2); its low byte goes first on the wire."""
    crc = 0xFFFF
    for byte in data:
        crc = crc >> 8 ^ _TABLE[(crc ^ byte) & 0xFF]
    return crc


def with_crc(frame: bytes) -> bytes:
    """The frame as it goes out."""
    return frame + crc16(frame).to_bytes(2, "little")
