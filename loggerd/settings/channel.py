"""The [[device.channel]] table: where a number is read, what it means and how far it can be trusted."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Literal

from pydantic import AfterValidator, AwareDatetime, Field

from loggerd.model.channels import Channel, parse_channel
from loggerd.settings.base import Name, PlainText, Table
from loggerd.settings.units import UNITS

Limits = Annotated[
    tuple[
        Annotated[float, Field(ge=-1e9, le=1e9)],
        Annotated[float, Field(ge=-1e9, le=1e9)],
    ],
    Field(strict=False),
]
RegisterTable = Literal["holding", "input", "coil", "discrete"]
RegisterType = Literal["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64"]
ByteOrder = Literal["ABCD", "CDAB", "BADC", "DCBA"]
Sign = Literal["charge_positive", "discharge_positive"]

DEFAULT_RESOLUTION = 0.001

_SCALE = "a number other than 0, from -1000000 to 1000000: reading = raw x scale + offset"
_UNIT = f"the unit in which the device reports: {', '.join(UNITS)}"
_OFFSET = "a number from -1000000 to 1000000, in the unit of the channel: reading = raw x scale + offset"
_SIGN = '"charge_positive", or "discharge_positive" where the device counts discharge as positive'
_SHUNT = "a table such as { rated_amps = 500, rated_millivolts = 50 }: the shunt whose millivolts the device reports"
_VALID = "two numbers [low, high] with low below high, in V, A, °C or Ah: readings outside are marked"
_ACCURACY = "a table such as { percent_of_reading = 0.5, offset = 0.1 }: the stated accuracy of the sensor"


def _not_zero(value: float) -> float:
    if value == 0:
        raise ValueError(_SCALE)
    return value


def _known_channel(name: str) -> str:
    parse_channel(name)
    return name


def _known_unit(unit: str) -> str:
    if unit not in UNITS:
        raise ValueError(_UNIT)
    return unit


Scale = Annotated[float, AfterValidator(_not_zero), Field(ge=-1e6, le=1e6)]
Offset = Annotated[float, Field(ge=-1e6, le=1e6)]
UnitName = Annotated[str, AfterValidator(_known_unit)]
Percent = Annotated[float, Field(ge=0, le=100)]


class ShuntSettings(Table):
    """A shunt gives `rated_millivolts` when `rated_amps` flow."""

    rated_amps: float = Field(ge=0.01, le=100_000, description="a number from 0.01 to 100000: rated amps of the shunt")
    rated_millivolts: float = Field(
        gt=0, le=1000, description="a number above 0, at most 1000: millivolts of the shunt at its rated amps"
    )


class AccuracySettings(Table):
    """Limits of error as the maker states them."""

    percent_of_reading: Percent | None = Field(
        default=None, description="a number from 0 to 100: error bound in percent of the reading"
    )
    percent_of_range: Percent | None = Field(
        default=None, description="a number from 0 to 100: error bound in percent of `range`"
    )
    range: float | None = Field(
        default=None, gt=0, le=1e9, description="a number above 0, in V, A, °C or Ah: the range of percent_of_range"
    )
    offset: float | None = Field(
        default=None, ge=0, le=1e9, description="a number, 0 or more, in V, A, °C or Ah: error bound at zero"
    )
    noise: float | None = Field(
        default=None,
        ge=0,
        le=1e9,
        description="a number, 0 or more: standard deviation of one reading, V, A, °C or Ah",
    )


class CorrectionSettings(Table):
    """Replaces what it names from an instant on; what it does not name stays as it was."""

    since: AwareDatetime = Field(
        description="an instant with its time zone, such as 2026-05-01T00:00:00Z, later than the correction before"
    )
    scale: Scale | None = Field(default=None, description=_SCALE)
    offset: Offset | None = Field(default=None, description=_OFFSET)
    unit: UnitName | None = Field(default=None, description=_UNIT)
    sign: Sign | None = Field(default=None, description=_SIGN)
    shunt: ShuntSettings | None = Field(default=None, description=_SHUNT)
    valid: Limits | None = Field(default=None, description=_VALID)
    accuracy: AccuracySettings | None = Field(default=None, description=_ACCURACY)
    because: PlainText = Field(default="", max_length=300, description="text: why the correction is made")


@dataclass(frozen=True)
class InForce:
    """What a channel's numbers mean from `since` on (None: from the beginning)."""

    since: datetime | None
    because: str
    scale: float
    offset: float
    unit: str
    sign: Sign
    shunt: ShuntSettings | None
    valid: tuple[float, float] | None
    accuracy: AccuracySettings | None


class ChannelSettings(Table):
    """One channel of a device."""

    channel: Annotated[str, AfterValidator(_known_channel)] = Field(
        description="the channel that is fed, such as volts, amps, block_3_volts"
    )
    bank: Name | None = Field(default=None, description="the name of a bank of this file")
    table: RegisterTable | None = Field(
        default=None, description='the Modbus table: "holding", "input", "coil" or "discrete"'
    )
    address: int | None = Field(
        default=None,
        ge=0,
        le=65535,
        description="a whole number from 0 to 65535: the address as sent on the wire, from 0",
    )
    type: RegisterType | None = Field(
        default=None,
        description="the type of the number: int16, uint16, int32, uint32, int64, uint64, float32 or float64",
    )
    order: ByteOrder = Field(
        default="ABCD", description='the byte order on the wire: "ABCD" (high first), "CDAB", "BADC" or "DCBA"'
    )
    scale_address: int | None = Field(
        default=None,
        ge=0,
        le=65535,
        description="a whole number from 0 to 65535: address of a register (int16) with a power of ten",
    )
    not_a_value: tuple[Annotated[int, Field(ge=-(2**63), lt=2**64)], ...] = Field(
        default=(), max_length=32, strict=False, description="a list of whole numbers: raw values that mean no value"
    )
    point: str | None = Field(
        default=None,
        pattern=r"^[A-Za-z][A-Za-z0-9_]{0,31}$",
        description='the name of a point of the SunSpec model, such as "A" or "V"',
    )
    field: Annotated[PlainText, Field(min_length=1, max_length=200)] | None = Field(
        default=None, description="the name of a field of the text line, or of a column of the file"
    )
    resolution: float | None = Field(
        default=None,
        gt=0,
        le=1000,
        description="a number above 0, at most 1000: size of one recorded count, where the device gives no integers",
    )
    scale: Scale = Field(default=1.0, description=_SCALE)
    offset: Offset = Field(default=0.0, description=_OFFSET)
    unit: UnitName = Field(description=_UNIT)
    sign: Sign = Field(default="charge_positive", description=_SIGN)
    shunt: ShuntSettings | None = Field(default=None, description=_SHUNT)
    valid: Limits | None = Field(default=None, description=_VALID)
    accuracy: AccuracySettings | None = Field(default=None, description=_ACCURACY)
    corrections: tuple[CorrectionSettings, ...] = Field(
        default=(),
        alias="correction",
        strict=False,
        description="tables headed [[device.channel.correction]], in order of time",
    )

    @property
    def parsed(self) -> Channel:
        """The channel of that name."""
        return parse_channel(self.channel)

    @property
    def is_integer(self) -> bool:
        """Whether the raw value is an integer register that is recorded as it is."""
        if self.table in {"coil", "discrete"}:
            return True
        return self.type is not None and self.type.startswith(("int", "uint")) and self.scale_address is None

    @property
    def count_size(self) -> float:
        """Size of one recorded count in the device's own number, before scale and offset."""
        return 1.0 if self.is_integer else self.resolution or DEFAULT_RESOLUTION

    @property
    def width(self) -> int:
        """Registers (or bits) that the value takes."""
        if self.type is None or self.table in {"coil", "discrete"}:
            return 1
        return int(self.type.removeprefix("float").removeprefix("u").removeprefix("int")) // 16

    @property
    def no_value_counts(self) -> tuple[int, ...]:
        """`not_a_value` as the channel's type reads it: 32768 (0x8000) is -32768 for an int16."""
        if self.type is None or not self.type.startswith("int"):
            return self.not_a_value
        bits = 16 * self.width
        return tuple(value - 2**bits if value >= 2 ** (bits - 1) else value for value in self.not_a_value)

    @property
    def place(self) -> str:
        """Where the number is read, in one canonical form: part of the identity of the recorded series."""
        if self.point is not None:
            return f"point {self.point}"
        if self.field is not None:
            return f"field {self.field}"
        words = [self.table or "", str(self.address)]
        if self.type is not None:
            words.append(self.type)
        if self.order != "ABCD":
            words.append(self.order)
        if self.scale_address is not None:
            words.append(f"scale {self.scale_address}")
        return " ".join(words)

    def in_force(self) -> tuple[InForce, ...]:
        """The meaning of the raw values from the beginning, then from each correction on."""
        now = InForce(None, "", self.scale, self.offset, self.unit, self.sign, self.shunt, self.valid, self.accuracy)
        stages = [now]
        for correction in self.corrections:
            now = _corrected(now, correction)
            stages.append(now)
        return tuple(stages)


def _corrected(before: InForce, change: CorrectionSettings) -> InForce:
    return InForce(
        since=change.since,
        because=change.because,
        scale=before.scale if change.scale is None else change.scale,
        offset=before.offset if change.offset is None else change.offset,
        unit=change.unit or before.unit,
        sign=change.sign or before.sign,
        shunt=change.shunt or before.shunt,
        valid=change.valid or before.valid,
        accuracy=change.accuracy or before.accuracy,
    )
