"""An instrument that prints lines of text by itself, as key=value pairs or as fields between delimiters."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import reduce
from typing import Any

from simulators.instruments.crc import crc16
from simulators.instruments.instrument import Instrument, Mount, Point
from simulators.truth import Integers

_CHECKSUMS: dict[str, Callable[[bytes], str]] = {
    "none": lambda _: "",
    "xor_hex": lambda text: f"*{reduce(lambda a, b: a ^ b, text, 0):02X}",
    "sum_hex": lambda text: f"*{sum(text) & 0xFF:02X}",
    "crc16_hex": lambda text: f"*{crc16(text):04X}",
}


class LinePrinter(Instrument):
    """Prints a line every `poll_seconds`: `V=51.20 A=-3.41*5B`, or `51.20;-3.41*..` with a delimiter.

    Points name their field in `place` and are of type "text"; `scale` gives the decimals printed.
    """

    def __init__(
        self,
        mount: Mount,
        points: Sequence[Point],
        *,
        delimiter: str = "",
        checksum: str = "xor_hex",
    ) -> None:
        """Raises ValueError for a checksum that is not none, xor_hex, sum_hex or crc16_hex."""
        if checksum not in _CHECKSUMS:
            raise ValueError(f'checksum "{checksum}"; expected one of {", ".join(_CHECKSUMS)}')
        super().__init__(mount, points)
        self._delimiter = delimiter
        self._checksum = checksum

    def line(self, counts: Integers) -> bytes:
        """The line, with its end, that carries the counts of one instant (shape: channels)."""
        parts = []
        for count, point in zip(counts.tolist(), self.points, strict=True):
            decimals = max(0, len(f"{point.scale:.6f}".rstrip("0").partition(".")[2]))
            text = f"{count * point.scale:.{decimals}f}"
            parts.append(text if self._delimiter else f"{point.place['field']}={text}")
        body = (self._delimiter or " ").join(parts)
        return f"{body}{_CHECKSUMS[self._checksum](body.encode('ascii'))}\r\n".encode("ascii")

    def lines_table(self) -> dict[str, Any]:
        """The `[device.lines]` table for the settings file."""
        table: dict[str, Any] = {"checksum": self._checksum}
        if self._delimiter:
            fields = [str(point.place["field"]) for point in self.points]
            return {"delimiter": self._delimiter, "fields": fields, **table}
        return {"key_value": True, **table}

    def channel_entries(self) -> list[dict[str, Any]]:
        """Entries by field; a recorded count is one step of the printed number."""
        entries = super().channel_entries()
        for entry, point in zip(entries, self.points, strict=True):
            entry["resolution"] = point.scale
        return entries


class WeatherStation(LinePrinter):
    """Prints the air's temperature."""

    def __init__(self, mount: Mount) -> None:
        air = Point(
            "ambient_celsius",
            "text",
            0.1,
            "°C",
            offset=0.3,
            noise=0.05,
            valid=(-50.0, 60.0),
            place={"field": "air"},
        )
        super().__init__(mount, (air,))
