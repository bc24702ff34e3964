"""The settings file that matches a simulated site, as text."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from loggerd.model.bank import Bank
from simulators.instruments.instrument import Instrument
from simulators.instruments.line_printer import LinePrinter
from simulators.instruments.wire import Wire
from simulators.scenarios import Scenario


def settings_text(
    scenario: Scenario, record: Mapping[str, Any] | None = None, limits: Sequence[Mapping[str, Any]] = ()
) -> str:
    """TOML of `[site]`, `[record]` if given, all banks (each with these limits of its own) and devices.

    The scenario's wires must have been started.
    """
    parts = [_table("[site]", {"name": scenario.site_name, "timezone": scenario.timezone})]
    if record:
        parts.append(_table("[record]", record))
    for plan in scenario.banks:
        parts.append(_table("[[bank]]", bank_table(plan.bank)))
        parts += [_table("[[bank.limit]]", limit) for limit in limits]
    for wire in scenario.wires:
        parts += [device_text(device_table(wire, instrument)) for instrument in wire.instruments]
    return "\n".join(parts)


def bank_table(bank: Bank) -> dict[str, Any]:
    """The `[[bank]]` table of a bank."""
    return {
        "name": bank.name,
        "type": bank.type.value,
        "strings": bank.strings,
        "blocks_per_string": bank.blocks_per_string,
        "cells_per_block": bank.cells_per_block,
        "rated_amp_hours": bank.rated_amp_hours,
        "rated_hours": bank.rated_hours,
        "rated_volts": bank.nominal_volts,
    }


def device_table(wire: Wire, instrument: Instrument) -> dict[str, Any]:
    """The `[[device]]` table of an instrument on its wire. Raises RuntimeError before the wire was started."""
    table: dict[str, Any] = {
        "name": instrument.name,
        "bank": instrument.bank,
        "poll_seconds": instrument.poll_seconds,
        "connection": wire.connection(instrument),
    }
    if isinstance(instrument, LinePrinter):
        table["lines"] = instrument.lines_table()
    return table | {"channel": instrument.channel_entries()}


def device_text(device: Mapping[str, Any]) -> str:
    """A `[[device]]` table with its inner tables as TOML."""
    plain = {key: value for key, value in device.items() if key not in {"connection", "lines", "channel"}}
    parts = [_table("[[device]]", plain), _table("[device.connection]", device["connection"])]
    if "lines" in device:
        parts.append(_table("[device.lines]", device["lines"]))
    parts += [_table("[[device.channel]]", channel) for channel in device["channel"]]
    return "\n".join(parts)


def _table(header: str, values: Mapping[str, Any]) -> str:
    return "\n".join([header, *(f"{key} = {_value(value)}" for key, value in values.items()), ""])


def _value(value: object) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_value(inner)}" for key, inner in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(inner) for inner in value) + "]"
    # Strings, numbers and truth values are written alike in JSON and TOML.
    return json.dumps(value, ensure_ascii=False)
