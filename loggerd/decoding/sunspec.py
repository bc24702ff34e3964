"""The SunSpec battery base model (model 802): where it is, and what its points say.

A SunSpec device has the two words "SunS" at register 0, 40000 or 50000, followed by a chain of models, each
with an identifier and a length, closed by identifier 65535. Offsets, types and scale factors of the points
are those of the SunSpec Alliance's published models (repository sunspec/models, model 802).
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from loggerd.decoding.registers import scaled_count, signed_word
from loggerd.model.channels import MISSING

BASES = (0, 40000, 50000)
"""Addresses at which a client looks for the marker, in this order."""
MARKER = (0x5375, 0x6E53)
CHAIN_END = 0xFFFF
BATTERY_MODEL = 802
BATTERY_WORDS = 64
"""Registers of the battery base model with its identifier and length."""

PointType: TypeAlias = Literal["uint16", "int16", "uint32"]

# Enumerations read like unsigned numbers of their size, bit fields too: "not implemented" is all ones for
# each.
_FORMATS: dict[PointType, tuple[str, int, int]] = {
    "uint16": (">H", 1, 0xFFFF),
    "int16": (">h", 1, -0x8000),
    "uint32": (">I", 2, 0xFFFFFFFF),
}


@dataclass(frozen=True)
class BatteryPoint:
    """A point of the battery base model: words from the identifier on, type, and the word of its scale
    factor.
    """

    offset: int
    type: PointType = "uint16"
    scale_offset: int | None = None


BATTERY_POINTS: dict[str, BatteryPoint] = {
    "AHRtg": BatteryPoint(2, scale_offset=52),
    "WHRtg": BatteryPoint(3, scale_offset=53),
    "WChaRteMax": BatteryPoint(4, scale_offset=54),
    "WDisChaRteMax": BatteryPoint(5, scale_offset=54),
    "DisChaRte": BatteryPoint(6, scale_offset=55),
    "SoCMax": BatteryPoint(7, scale_offset=56),
    "SoCMin": BatteryPoint(8, scale_offset=56),
    "SocRsvMax": BatteryPoint(9, scale_offset=56),
    "SoCRsvMin": BatteryPoint(10, scale_offset=56),
    "SoC": BatteryPoint(11, scale_offset=56),
    "DoD": BatteryPoint(12, scale_offset=57),
    "SoH": BatteryPoint(13, scale_offset=58),
    "NCyc": BatteryPoint(14, "uint32"),
    "ChaSt": BatteryPoint(16),
    "LocRemCtl": BatteryPoint(17),
    "Hb": BatteryPoint(18),
    "CtrlHb": BatteryPoint(19),
    "AlmRst": BatteryPoint(20),
    "Typ": BatteryPoint(21),
    "State": BatteryPoint(22),
    "StateVnd": BatteryPoint(23),
    "WarrDt": BatteryPoint(24, "uint32"),
    "Evt1": BatteryPoint(26, "uint32"),
    "Evt2": BatteryPoint(28, "uint32"),
    "EvtVnd1": BatteryPoint(30, "uint32"),
    "EvtVnd2": BatteryPoint(32, "uint32"),
    "V": BatteryPoint(34, scale_offset=59),
    "VMax": BatteryPoint(35, scale_offset=59),
    "VMin": BatteryPoint(36, scale_offset=59),
    "CellVMax": BatteryPoint(37, scale_offset=60),
    "CellVMaxStr": BatteryPoint(38),
    "CellVMaxMod": BatteryPoint(39),
    "CellVMin": BatteryPoint(40, scale_offset=60),
    "CellVMinStr": BatteryPoint(41),
    "CellVMinMod": BatteryPoint(42),
    "CellVAvg": BatteryPoint(43, scale_offset=60),
    "A": BatteryPoint(44, "int16", scale_offset=61),
    "AChaMax": BatteryPoint(45, scale_offset=62),
    "ADisChaMax": BatteryPoint(46, scale_offset=62),
    "W": BatteryPoint(47, "int16", scale_offset=63),
    "ReqInvState": BatteryPoint(48),
    "ReqW": BatteryPoint(49, "int16", scale_offset=63),
    "SetOp": BatteryPoint(50),
    "SetInvState": BatteryPoint(51),
}


@dataclass(frozen=True)
class SunSpecPlace:
    """Where a channel's number stands in a SunSpec battery: a point's name, and the size of one recorded
    count.

    Raises ValueError, with the names that exist, for an unknown point.
    """

    point: str
    resolution: float = 1.0

    def __post_init__(self) -> None:
        if self.point not in BATTERY_POINTS:
            raise ValueError(f"point {self.point!r} is none of {', '.join(BATTERY_POINTS)}")
        if not self.resolution > 0:
            raise ValueError(f"resolution {self.resolution} is not above 0")


@dataclass(frozen=True)
class ModelBlock:
    """A model found in a device's chain: `address` of its identifier, and `length` in words without the two."""

    address: int
    model: int
    length: int

    @property
    def next_address(self) -> int:
        """Where the next model of the chain begins."""
        return self.address + 2 + self.length

    @property
    def is_end(self) -> bool:
        """Whether the chain ends here."""
        return self.model == CHAIN_END


def battery_counts(places: Sequence[SunSpecPlace], words: Sequence[int]) -> tuple[int, ...]:
    """Raw counts of the places from the words of a battery model, its identifier first.

    A count is round(raw x 10**scale / resolution). MISSING where the point or its scale factor is not
    implemented, where the factor is outside -10..10, or where the model is too short to have the point.
    """
    return tuple(_count(BATTERY_POINTS[place.point], place.resolution, words) for place in places)


def _count(point: BatteryPoint, resolution: float, words: Sequence[int]) -> int:
    form, length, not_implemented = _FORMATS[point.type]
    present = words[point.offset : point.offset + length]
    if len(present) < length:
        return MISSING
    (raw,) = struct.unpack(form, struct.pack(f">{length}H", *present))
    if raw == not_implemented:
        return MISSING
    if point.scale_offset is None:
        return scaled_count(raw, 0, resolution)
    scale = words[point.scale_offset] if point.scale_offset < len(words) else None
    return scaled_count(raw, signed_word(scale), resolution)
