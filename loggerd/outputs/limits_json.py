"""The limits of a bank as plain values for JSON, each with its source and what held before or will hold."""

from __future__ import annotations

from typing import Any

from loggerd.settings.bank import BankSettings
from loggerd.settings.bank_limits import BankLimit, limits_of_bank


def limits_values(table: BankSettings, now_ms: int) -> dict[str, Any]:
    """All limits of a bank. Raises SettingsError without the presets of its type."""
    return {
        "bank": table.name,
        "type": table.type.value,
        "limits": [_limit(limit, now_ms) for limit in limits_of_bank(table)],
    }


def _limit(limit: BankLimit, now_ms: int) -> dict[str, Any]:
    now = limit.in_force(now_ms)
    stages = [
        {
            "value": stage.value,
            "since": None if stage.since is None else stage.since.isoformat(),
            "source": stage.source,
            "preset": stage.preset,
            "in_force": stage is now,
        }
        for stage in limit.stages
    ]
    return {"name": limit.name, "value": now.value, "unit": limit.unit, "source": now.source, "stages": stages}
