"""A SunSpec device: marker, common model 1 and battery base model 802 (layouts of the open SunSpec standard)."""

from __future__ import annotations

from typing import Any

import numpy as np

from simulators.instruments.instrument import Mount, Point, RegisterInstrument, Words
from simulators.truth import Integers

BASE = 40000
_COMMON_LENGTH = 66
_MODEL_802 = 802
_BATTERY_LENGTH = 62
_BATTERY_AT = 2 + 2 + _COMMON_LENGTH
"""Offset of model 802's id register from the marker."""
_U16_NONE, _I16_NONE = 0xFFFF, 0x8000

_VOLTS_OFFSET, _AMPS_OFFSET = 34, 44
_NOT_SIGNED = (2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 35, 36, 37, 38, 39, 40, 41, 42, 43, 45, 46)
_SCALE_OFFSETS = {52: 0, 53: 2, 54: 2, 59: -2, 61: -1, 62: -1}
"""Offset of a scale factor from 802's id register: its power of ten."""
_NO_SCALE = (55, 56, 57, 58, 60, 63)


class SunSpecBattery(RegisterInstrument):
    """Serves V and A of model 802; A counts discharge positive here. What it does not know is "not implemented"."""

    def __init__(
        self,
        mount: Mount,
        *,
        rated_amp_hours: float,
        rated_volts: float,
    ) -> None:
        self._rated = (rated_amp_hours, rated_volts)
        volts = Point(
            "volts",
            "uint16",
            0.01,
            "V",
            BASE + _BATTERY_AT + _VOLTS_OFFSET,
            gain=0.002,
            offset=0.05,
            noise=0.01,
            valid=(0.0, 1.5 * rated_volts),
            place={"point": "V"},
        )
        amps = Point(
            "amps",
            "int16",
            0.1,
            "A",
            BASE + _BATTERY_AT + _AMPS_OFFSET,
            per_unit=-1.0,
            gain=0.005,
            offset=0.2,
            noise=0.1,
            valid=(-1200.0, 1200.0),
            place={"point": "A", "sign": "discharge_positive"},
        )
        super().__init__(mount, (volts, amps))
        self.first = BASE
        self.length = _BATTERY_AT + 2 + _BATTERY_LENGTH + 2
        self._fixed = np.array(self._fixed_words(), dtype=np.uint16)

    def words(self, counts: Integers) -> Words:
        """The whole map from the marker to the end block."""
        image: Words = np.tile(self._fixed, (len(counts), 1))
        image[:, _BATTERY_AT + _VOLTS_OFFSET] = counts[:, 0] & 0xFFFF
        image[:, _BATTERY_AT + _AMPS_OFFSET] = counts[:, 1] & 0xFFFF
        return image

    def channel_entries(self) -> list[dict[str, Any]]:
        """Entries by SunSpec point; the resolution is that of the scale factors served."""
        entries = super().channel_entries()
        for entry, point in zip(entries, self.points, strict=True):
            entry["resolution"] = point.scale
        return entries

    def _fixed_words(self) -> list[int]:
        marker = [0x5375, 0x6E53]
        common = [1, _COMMON_LENGTH]
        # Maker, model, options, version, serial number; then the device id and a pad.
        for text, registers in (("Invented", 16), ("Test battery", 16), ("", 8), ("1.0", 8), ("0001", 16)):
            common += _string_words(text, registers)
        common += [self.device_id, _I16_NONE]
        return marker + common + self._battery_words() + [0xFFFF, 0]

    def _battery_words(self) -> list[int]:
        words = [0] * (2 + _BATTERY_LENGTH)
        words[0:2] = [_MODEL_802, _BATTERY_LENGTH]
        for offset in _NOT_SIGNED:
            words[offset] = _U16_NONE
        for offset in _NO_SCALE:
            words[offset] = _I16_NONE
        for offset, power in _SCALE_OFFSETS.items():
            words[offset] = power & 0xFFFF
        amp_hours, volts = self._rated
        words[2] = round(amp_hours)
        words[3] = round(amp_hours * volts / 100)
        words[16] = _U16_NONE  # charge status
        words[21] = 1  # lead-acid
        words[22] = 3  # connected
        words[47] = _I16_NONE  # watts
        return words


def _string_words(text: str, registers: int) -> list[int]:
    data = text.encode("ascii").ljust(2 * registers, b"\0")
    return [data[i] << 8 | data[i + 1] for i in range(0, len(data), 2)]
