"""What settings a bank's ledger depends on, as canonical JSON and as a short fingerprint.

A ledger whose stored fingerprint differs from the present one was made under other settings and is recomputed.
"""

from __future__ import annotations

import hashlib
import json
from typing import Any

from loggerd.model.bank import Series, SeriesScale
from loggerd.settings.bank import BankSettings
from loggerd.settings.domain import series_of_bank
from loggerd.settings.site import SiteSettings


def bank_settings_json(settings: SiteSettings, bank_name: str) -> str:
    """Everything that changes the ledger of one bank: its table, its series and their dated scales.

    Names of sites, connections, polling, reasons for corrections and sources of limits are left out: they change no
    figure. Numbers are written so that they read back to the same bits. Raises KeyError when there is no such bank.
    """
    bank = next((bank for bank in settings.banks if bank.name == bank_name), None)
    if bank is None:
        raise KeyError(bank_name)
    series = [_series(series) for series in series_of_bank(settings, bank_name)]
    content = {
        "bank": {**bank.model_dump(mode="json", exclude={"rated_volts", "limits"}), **_limits(bank)},
        # Series are looked up by their key, so the order of devices in the file is of no account.
        "series": sorted(series, key=lambda entry: json.dumps(entry, sort_keys=True)),
    }
    return json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def bank_fingerprint(settings: SiteSettings, bank_name: str) -> str:
    """SHA-256, in hexadecimal, of `bank_settings_json`. Raises KeyError when there is no such bank."""
    return hashlib.sha256(bank_settings_json(settings, bank_name).encode()).hexdigest()


def _limits(bank: BankSettings) -> dict[str, Any]:
    """The limits of the settings, if any, by name; those of one name stand in order of time already."""
    rows = [
        {
            "name": limit.name,
            "value": limit.value,
            "since_ms": None if limit.since is None else round(limit.since.timestamp() * 1000),
        }
        for limit in bank.limits
    ]
    return {"limits": sorted(rows, key=lambda row: str(row["name"]))} if rows else {}


def _series(series: Series) -> dict[str, Any]:
    return {
        "device": series.device,
        "channel": series.channel.name,
        "place": series.place,
        "resolution": series.resolution,
        "scales": [_scale(scale) for scale in series.scales],
    }


def _scale(scale: SeriesScale) -> dict[str, Any]:
    accuracy = scale.accuracy
    return {
        "since_ms": scale.since_ms,
        "factor": scale.factor,
        "shift": scale.shift,
        "valid": list(scale.valid),
        "gain": accuracy.gain,
        "offset": accuracy.offset,
        "noise": accuracy.noise,
        "resolution": accuracy.resolution,
        "range": accuracy.range,
    }
