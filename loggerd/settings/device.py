"""The [[device]] table and the files of device maps."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from loggerd.decoding.text_lines import Checksum, LineFormat
from loggerd.settings.base import FilePath, Name, PlainText, Table
from loggerd.settings.channel import ChannelSettings
from loggerd.settings.connection import KIND_WORDS, Connection

Separator = Annotated[str, Field(min_length=1, max_length=8, pattern=r"^[^\r\n]+$")]


class LinesSettings(Table):
    """The form of the lines that a device prints: a pattern, or delimited fields, or key=value pairs."""

    pattern: Annotated[str, Field(min_length=1, max_length=1000)] | None = Field(
        default=None,
        description="a regular expression with named groups such as (?P<amps>...), matching a whole line",
    )
    delimiter: Separator | None = Field(default=None, description='what stands between the fields, such as ";"')
    fields: tuple[Annotated[PlainText, Field(max_length=200)], ...] = Field(
        default=(),
        max_length=200,
        strict=False,
        description=(
            'a list of different names: the fields between the delimiters in their order, "" for unwanted ones'
        ),
    )
    key_value: bool = Field(default=False, description="true where the line is made of key=value pairs")
    pair_separator: Separator | None = Field(
        default=None, description="what stands between key=value pairs; left out: spaces, commas and semicolons"
    )
    key_separator: Separator = Field(default="=", description='what stands between key and value, usually "="')
    checksum: Literal["none", "xor_hex", "sum_hex", "crc16_hex"] = Field(
        default="none", description='the checksum at the end of the line: "none", "xor_hex", "sum_hex" or "crc16_hex"'
    )
    checksum_separator: Separator = Field(default="*", description='what stands before the checksum, usually "*"')
    start: Annotated[str, Field(max_length=8, pattern=r"^[^\r\n]*$")] = Field(
        default="", description="the mark that begins every line and is not under the checksum"
    )
    encoding: Literal["ascii", "latin-1", "utf-8"] = Field(
        default="ascii", description='the encoding of the text: "ascii", "latin-1" or "utf-8"'
    )

    def to_format(self) -> LineFormat:
        """The same as the decoder wants it. Raises ValueError when the keys do not go together."""
        return LineFormat(
            pattern=self.pattern,
            delimiter=self.delimiter,
            fields=self.fields,
            key_value=self.key_value,
            pair_separator=self.pair_separator,
            key_separator=self.key_separator,
            checksum=Checksum(self.checksum),
            checksum_separator=self.checksum_separator,
            start=self.start,
            encoding=self.encoding,
        )


class DeviceSettings(Table):
    """One instrument, its connection and its channels."""

    name: Name = Field(
        description='the name of the device: 1 to 60 characters without ", \\ and /, used by no other device'
    )
    poll_seconds: float = Field(
        default=1.0,
        ge=0.05,
        le=3600,
        description="a number from 0.05 to 3600: seconds from one reading to the next",
    )
    bank: Name | None = Field(
        default=None, description="the name of a bank of this file, for all channels that name none"
    )
    map: FilePath | None = Field(
        default=None,
        description="a file with the channels, beside the settings or among the maps that come with loggerd",
    )
    leave_out: tuple[Name, ...] = Field(
        default=(), strict=False, description="a list of channels of the map that this device does not have"
    )
    connection: Connection = Field(description=f"the table [device.connection]; its key kind gives {KIND_WORDS}")
    lines: LinesSettings | None = Field(
        default=None, description="the table [device.lines], for serial_lines: the form of the lines"
    )
    channels: tuple[ChannelSettings, ...] = Field(
        alias="channel",
        min_length=1,
        strict=False,
        description="at least one channel: tables headed [[device.channel]], or a map",
    )


class MapFile(Table):
    """A device map: the channels of one type of instrument, kept for use by many sites."""

    about: str = Field(default="", description="text: what instrument this map is for")
    lines: LinesSettings | None = Field(default=None, description="the table [lines]: the form of the lines")
    channels: tuple[ChannelSettings, ...] = Field(
        alias="channel", min_length=1, strict=False, description="at least one channel: tables headed [[channel]]"
    )
