"""Where numbers are read: the right keys for the kind of device, and no place read twice."""

from __future__ import annotations

from collections.abc import Iterator

from loggerd.settings.connection import Connection, CsvFile, ModbusRtu, ModbusTcp, SerialLines
from loggerd.settings.draft import Draft, DraftChannel, DraftDevice
from loggerd.settings.faults import Fault, show, value_at
from loggerd.settings.key_lines import KeyPath

_REGISTER_KEYS = ("table", "address", "type", "order", "scale_address", "not_a_value")
_BIT_TABLES = {"coil", "discrete"}


def _wanted_keys(connection: Connection, channel: DraftChannel) -> tuple[str, ...]:
    match connection:
        case ModbusTcp() | ModbusRtu():
            return ("table", "address") if channel.settings.table in _BIT_TABLES else ("table", "address", "type")
        case SerialLines() | CsvFile():
            return ("field",)
        case _:
            return ("point",)


_WANTED_WORDS = {
    "table": 'the Modbus table: "holding", "input", "coil" or "discrete"',
    "address": "the address of the register, a whole number from 0 to 65535",
    "type": "the type of the number: int16, uint16, int32, uint32, int64, uint64, float32 or float64",
    "field": "the name of a field of the text line, or of a column of the file",
    "point": 'the name of a point of the SunSpec model, such as "A" or "V"',
}


def check_place_keys(draft: Draft) -> Iterator[Fault]:
    """A channel has the keys of its device's kind, and none of another kind."""
    for device, channel in draft.channels():
        if device.connection is None:
            continue
        wanted = _wanted_keys(device.connection, channel)
        for key in wanted:
            if key not in channel.given:
                yield Fault((*channel.path, key), "nothing", _WANTED_WORDS[key])
        for key in _foreign_keys(device.connection, channel):
            used = ", ".join(wanted)
            expected = f"no such key for a device of kind {device.connection.kind}, which uses {used}"
            yield Fault((*channel.path, key), show(value_at(draft.raw, (*channel.path, key))), expected)


def _foreign_keys(connection: Connection, channel: DraftChannel) -> list[str]:
    if isinstance(connection, ModbusTcp | ModbusRtu):
        foreign: tuple[str, ...] = ("point", "field")
        if channel.settings.table in _BIT_TABLES:
            foreign = (*foreign, "type", "order", "scale_address", "not_a_value", "resolution")
    elif isinstance(connection, SerialLines | CsvFile):
        foreign = (*_REGISTER_KEYS, "point")
    else:
        foreign = (*_REGISTER_KEYS, "field")
    return [key for key in foreign if key in channel.given]


def check_registers(draft: Draft) -> Iterator[Fault]:
    """What the keys of one register say about each other."""
    for _, channel in draft.channels():
        settings = channel.settings
        if settings.address is None or settings.type is None or settings.table in _BIT_TABLES:
            continue
        last = settings.address + settings.width - 1
        if last > 65535:
            found = f"{settings.address} for {settings.width} registers"
            yield Fault((*channel.path, "address"), found, "an address whose last register is 65535 or below")
        if settings.scale_address is not None and settings.address <= settings.scale_address <= last:
            found = f"{settings.scale_address}, a register of the value itself"
            yield Fault((*channel.path, "scale_address"), found, "another register than those of the value")
        if settings.is_integer and "resolution" in channel.given:
            found = show(settings.resolution)
            expected = "no resolution for whole numbers, which are recorded as they are; use scale"
            yield Fault((*channel.path, "resolution"), found, expected)
        yield from _not_a_value(channel)


def _not_a_value(channel: DraftChannel) -> Iterator[Fault]:
    settings = channel.settings
    path = (*channel.path, "not_a_value")
    if settings.not_a_value and settings.type in {"float32", "float64"}:
        yield Fault(
            path,
            show(list(settings.not_a_value)),
            "no such key for floats, which have their own not-a-number",
        )
        return
    bits = 16 * settings.width
    lowest = -(2 ** (bits - 1)) if settings.type in {"int16", "int32", "int64"} else 0
    if any(not lowest <= value < 2**bits for value in settings.not_a_value):
        yield Fault(path, show(list(settings.not_a_value)), f"whole numbers that fit into {bits} bits")


def check_read_once(draft: Draft) -> Iterator[Fault]:
    """No two channels on one place. One probe of the room's air may serve several banks."""
    taken: dict[tuple[str, ...], list[tuple[int, int, DraftChannel]]] = {}
    for device, channel in draft.channels():
        place = _place(device, channel)
        if place is None:
            continue
        where, first, last = place
        for other_first, other_last, other in taken.setdefault(where, []):
            if first <= other_last and other_first <= last and not _shared_air(channel, other):
                key = {"field": "field", "point": "point"}.get(where[-1], "address")
                found = f"{channel.settings.place}, where another channel is read already"
                yield Fault((*channel.path, key), found, "a place of its own for each channel", other=other.path)
                break
        taken[where].append((first, last, channel))


def _place(device: DraftDevice, channel: DraftChannel) -> tuple[tuple[str, ...], int, int] | None:
    """What the place is in, and its first and last address there (0 for names)."""
    settings, connection = channel.settings, device.connection
    if connection is None:
        return None
    match connection:
        case ModbusTcp() | ModbusRtu() if settings.table is not None and settings.address is not None:
            where = (connection.line, str(connection.device_id), settings.table)
            return where, settings.address, settings.address + settings.width - 1
        case SerialLines() | CsvFile() if settings.field is not None:
            return (_device_key(device), settings.field, "field"), 0, 0
        case _ if settings.point is not None:
            return (_device_key(device), settings.point, "point"), 0, 0
    return None


def _device_key(device: DraftDevice) -> str:
    connection = device.connection
    path: KeyPath = device.path
    return f"{connection.line} {getattr(connection, 'device_id', '')}" if connection else str(path)


def _shared_air(one: DraftChannel, other: DraftChannel) -> bool:
    return (
        one.settings.channel == other.settings.channel == "ambient_celsius"
        and one.bank != other.bank
        and one.settings.place == other.settings.place
    )
