"""The site: its banks, the limits that they are judged by, the newest readings, and how the logger itself does."""

from __future__ import annotations

from typing import Any

from loggerd.live_values import LiveReader, LiveValue
from loggerd.model.bank import BankType
from loggerd.model.channels import Quantity
from loggerd.model.ledger import PhaseKind
from loggerd.outputs.ledger_json import utc_text
from loggerd.outputs.limits_json import limits_values
from loggerd.outputs.web.api.endpoint import BASE, Call, Endpoint
from loggerd.outputs.web.api.schemas import AT, COUNT, NUMBER, TEXT, YES_NO, maybe, rows, table, told, words_of
from loggerd.plans import bank_named
from loggerd.settings.bank import BankSettings
from loggerd.settings.domain import series_of_bank

_CHANNEL = table({"name": TEXT, "unit": words_of(one.value for one in Quantity), "device": TEXT})
_BANK = table(
    {
        "name": TEXT,
        "type": words_of(one.value for one in BankType),
        "strings": COUNT,
        "blocks_per_string": COUNT,
        "cells_per_block": COUNT,
        "blocks": told(COUNT, "1 is at the positive end of string 1"),
        "nominal_volts": NUMBER,
        "rated_amp_hours": NUMBER,
        "rated_hours": NUMBER,
        "channels": rows(_CHANNEL),
    }
)
_STAGE = table({"value": NUMBER, "since": maybe(TEXT), "source": TEXT, "preset": YES_NO, "in_force": YES_NO})
_LIMIT = table({"name": TEXT, "value": NUMBER, "unit": TEXT, "source": TEXT, "stages": rows(_STAGE)})
_LIVE = table(
    {
        "channel": TEXT,
        "unit": TEXT,
        "value": told(maybe(NUMBER), "null where nothing was read lately"),
        "reason": TEXT,
        "at": told(maybe(AT), "when it was last read"),
        "late": told(YES_NO, "older than it should be by now: not to be taken for what is"),
        "doubted": told(YES_NO, "outside its valid range"),
    }
)
_HEALTH = table(
    {
        "now": AT,
        "last_reading": maybe(AT),
        "record_bytes": COUNT,
        "write_ahead_log_bytes": COUNT,
        "free_bytes_in_record": COUNT,
        "disk_free_bytes": COUNT,
        "ballast_bytes": COUNT,
        "sealed_blocks": COUNT,
        "sessions": COUNT,
        "schema_version": COUNT,
    }
)


def _site(call: Call) -> dict[str, Any]:
    site = call.ask.site
    return {
        "name": site.site.name,
        "timezone": site.site.timezone,
        "now": utc_text(call.ask.clock.wall_ms()),
        "banks": [_bank(call, one) for one in site.banks],
    }


def _bank(call: Call, settings: BankSettings) -> dict[str, Any]:
    bank, _ = bank_named(call.ask.site, settings.name)
    channels = [
        {"name": one.channel.name, "unit": one.channel.quantity.value, "device": one.device}
        for one in series_of_bank(call.ask.site, settings.name)
    ]
    return {
        "name": bank.name,
        "type": bank.type.value,
        "strings": bank.strings,
        "blocks_per_string": bank.blocks_per_string,
        "cells_per_block": bank.cells_per_block,
        "blocks": bank.blocks,
        "nominal_volts": bank.nominal_volts,
        "rated_amp_hours": bank.rated_amp_hours,
        "rated_hours": bank.rated_hours,
        "channels": channels,
    }


def _limits(call: Call) -> dict[str, Any]:
    return limits_values(bank_named(call.ask.site, call.bank)[1], call.ask.clock.wall_ms())


def _live(call: Call) -> dict[str, Any]:
    now_ms = call.ask.clock.wall_ms()
    found = LiveReader(call.ask.site, call.bank).read(call.ask.record)
    return {
        "bank": call.bank,
        "now": utc_text(now_ms),
        "phase": None if found.phase is None else found.phase.value,
        "current": None if found.amps is None else _live_value(found.amps, now_ms),
        "values": [_live_value(one, now_ms) for one in found.values],
    }


def _live_value(one: LiveValue, now_ms: int) -> dict[str, Any]:
    return {
        "channel": one.channel.name,
        "unit": one.channel.quantity.value,
        "value": one.value,
        "reason": "" if one.value is not None else "nothing was read of it lately",
        "at": None if one.at_ms is None else utc_text(one.at_ms),
        "late": one.late(now_ms),
        "doubted": one.doubted,
    }


def _health(call: Call) -> dict[str, Any]:
    health = call.ask.record.health()
    last_ms = health.last_reading_wall_ms
    return {
        "now": utc_text(call.ask.clock.wall_ms()),
        "last_reading": None if last_ms is None else utc_text(last_ms),
        "record_bytes": health.file_bytes,
        "write_ahead_log_bytes": health.wal_bytes,
        "free_bytes_in_record": health.free_bytes_in_file,
        "disk_free_bytes": health.disk_free_bytes,
        "ballast_bytes": health.ballast_bytes,
        "sealed_blocks": health.sealed_blocks,
        "sessions": health.sessions,
        "schema_version": health.schema_version,
    }


ENDPOINTS = (
    Endpoint(
        "site",
        f"{BASE}/site",
        "The site and its banks, as the settings have them.",
        _site,
        {200: table({"name": TEXT, "timezone": TEXT, "now": AT, "banks": rows(_BANK)})},
        without_record=True,
    ),
    Endpoint("health", f"{BASE}/health", "How the record and its disk do.", _health, {200: _HEALTH}),
    Endpoint(
        "live",
        f"{BASE}/banks/{{bank}}/live",
        "The newest reading of each channel, with its age. Charge is positive.",
        _live,
        {
            200: table(
                {
                    "bank": TEXT,
                    "now": AT,
                    "phase": maybe(words_of(one.value for one in PhaseKind)),
                    "current": told(maybe(_LIVE), "the current that the ledgers go by"),
                    "values": rows(_LIVE),
                }
            )
        },
    ),
    Endpoint(
        "limits",
        f"{BASE}/banks/{{bank}}/limits",
        "By what a bank is judged, and where each limit comes from.",
        _limits,
        {200: table({"bank": TEXT, "type": TEXT, "limits": rows(_LIMIT)})},
        without_record=True,
    ),
)
