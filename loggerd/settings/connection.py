"""The [device.connection] table: how a device is reached, one model for each kind, and which line it is on."""

from __future__ import annotations

import os.path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Discriminator, Field, Tag

from loggerd.settings.base import FilePath, PlainText, Table

BAUDS = (300, 600, 1200, 2400, 4800, 9600, 14400, 19200, 28800, 38400, 57600, 115200, 230400, 460800, 921600)
_BAUD = f"one of the usual rates in bits per second: {', '.join(map(str, BAUDS))}"


def _usual_baud(baud: int) -> int:
    if baud not in BAUDS:
        raise ValueError(_BAUD)
    return baud


Baud = Annotated[int, AfterValidator(_usual_baud), Field(description=_BAUD)]
Host = Annotated[
    PlainText,
    Field(
        min_length=1,
        max_length=253,
        pattern=r"^[0-9A-Za-z._:-]+$",
        description='a host name or an IP address, such as "192.168.1.20"',
    ),
]
TcpPort = Annotated[int, Field(ge=1, le=65535, description="a whole number from 1 to 65535: the TCP port")]
SerialPort = Annotated[
    FilePath, Field(description='the path of the serial port, best one that stays, under "/dev/serial/by-id/"')
]
Parity = Annotated[Literal["E", "N", "O"], Field(description='the parity: "E" even, "N" none, "O" odd')]
StopBits = Annotated[int, Field(ge=1, le=2, description="1 or 2: stop bits")]
TcpDeviceId = Annotated[int, Field(ge=0, le=255, description="a whole number from 0 to 255: the Modbus device id")]
SerialDeviceId = Annotated[
    int, Field(ge=1, le=247, description="a whole number from 1 to 247: the Modbus device id on its line")
]
Timeout = Annotated[
    float,
    Field(ge=0.01, le=10, description="a number from 0.01 to 10: seconds to wait for an answer"),
]
_QUIET = "a number from 0.02 to 30, not below timeout_seconds: the worst time, in seconds, that a late answer may take"


def _quiet_seconds(data: dict[str, Any]) -> float:
    return max(1.5, 3.0 * float(data["timeout_seconds"]))


QuietSeconds = Annotated[float, Field(ge=0.02, le=30, default_factory=_quiet_seconds, description=_QUIET)]


class _Tcp(Table):
    host: Host
    port: TcpPort = 502
    device_id: TcpDeviceId = 1
    timeout_seconds: Timeout = 1.0

    @property
    def line(self) -> str:
        """Devices of equal `line` share one connection and are read in turn."""
        return f"tcp {self.host.lower()}:{self.port}"


class _Serial(Table):
    port: SerialPort
    baud: Baud = 9600
    stop_bits: StopBits = 1

    @property
    def line(self) -> str:
        """Devices of equal `line` share one serial port and are read in turn."""
        return f"serial {os.path.normpath(self.port)}"


class ModbusTcp(_Tcp):
    """Modbus over TCP."""

    kind: Literal["modbus_tcp"] = Field(description="modbus_tcp")


class ModbusRtu(_Serial):
    """Modbus RTU on a serial line."""

    kind: Literal["modbus_rtu"] = Field(description="modbus_rtu")
    # Even parity is the default of the specification (Modbus over Serial Line V1.02, 2.5.1).
    parity: Parity = "E"
    device_id: SerialDeviceId = 1
    timeout_seconds: Timeout = 0.5
    quiet_seconds: QuietSeconds


class SunspecTcp(_Tcp):
    """A SunSpec device over Modbus TCP."""

    kind: Literal["sunspec"] = Field(description="sunspec")


class SunspecSerial(_Serial):
    """A SunSpec device over Modbus RTU."""

    kind: Literal["sunspec"] = Field(description="sunspec")
    port: FilePath = Field(description="the path of a serial port, or a key host for a device on the network")
    parity: Parity = "N"
    device_id: SerialDeviceId = 1
    timeout_seconds: Timeout = 0.5
    quiet_seconds: QuietSeconds


class SerialLines(_Serial):
    """A device that prints lines of text by itself; their form is in [device.lines]."""

    kind: Literal["serial_lines"] = Field(description="serial_lines")
    parity: Parity = "N"
    data_bits: int = Field(default=8, ge=7, le=8, description="7 or 8: data bits")
    timeout_seconds: float = Field(
        default=30,
        ge=0.01,
        le=3600,
        description="a number from 0.01 to 3600: seconds without a line after which the device counts as silent",
    )


class CsvFile(Table):
    """A file of past readings; the field of a channel is the name of a column."""

    kind: Literal["csv"] = Field(description="csv")
    path: FilePath = Field(description="the path of a CSV file with a header line")
    time_field: PlainText = Field(
        default="time", min_length=1, max_length=200, description='the name of the column of times, usually "time"'
    )

    @property
    def line(self) -> str:
        """Each file is a line of its own."""
        return f"file {self.path}"


KINDS: dict[str, type[Table]] = {
    "modbus_tcp": ModbusTcp,
    "modbus_rtu": ModbusRtu,
    "sunspec_tcp": SunspecTcp,
    "sunspec_serial": SunspecSerial,
    "serial_lines": SerialLines,
    "csv": CsvFile,
}
KIND_WORDS = 'the kind of connection: "modbus_tcp", "modbus_rtu", "sunspec", "serial_lines" or "csv"'


def connection_tag(value: object) -> str | None:
    """Which entry of KINDS a connection table means; None where its kind is not given as text."""
    if not isinstance(value, dict):
        kind = getattr(value, "kind", None)
        value = {"kind": kind, "host": ""} if hasattr(value, "host") else {"kind": kind}
    kind = value.get("kind")
    if kind == "sunspec":
        serial = not value.keys().isdisjoint({"baud", "parity", "stop_bits"})
        on_network = "host" in value or (isinstance(value.get("port"), int) and not serial)
        return "sunspec_tcp" if on_network else "sunspec_serial"
    return kind if isinstance(kind, str) else None


Connection = Annotated[
    Annotated[ModbusTcp, Tag("modbus_tcp")]
    | Annotated[ModbusRtu, Tag("modbus_rtu")]
    | Annotated[SunspecTcp, Tag("sunspec_tcp")]
    | Annotated[SunspecSerial, Tag("sunspec_serial")]
    | Annotated[SerialLines, Tag("serial_lines")]
    | Annotated[CsvFile, Tag("csv")],
    Discriminator(connection_tag),
]
RegisterConnection = ModbusTcp | ModbusRtu
SerialConnection = ModbusRtu | SunspecSerial | SerialLines
