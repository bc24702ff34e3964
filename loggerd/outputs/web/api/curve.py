"""Readings over time, from the tier of summaries that fits the stretch asked for."""

from __future__ import annotations

from typing import Any

from loggerd.model.channels import Quantity
from loggerd.outputs.curves import DAY_MS, MOST_POINTS, TIERS, channels_of, curve, curve_values
from loggerd.outputs.ledger_json import utc_text
from loggerd.outputs.web.api.endpoint import BASE, Call, Endpoint, Parameter
from loggerd.outputs.web.api.kinds import Names, Whole
from loggerd.outputs.web.api.looking import SPAN
from loggerd.outputs.web.api.schemas import AT, COUNT, NUMBER, TEXT, rows, table, told, words_of
from loggerd.outputs.web.asking import CannotBeUsed

_MOST_CHANNELS = 60
_SHORTEST_MS = 60_000
_COLUMN = table(
    {
        "name": TEXT,
        "unit": words_of(one.value for one in Quantity),
        "time_ms": told(rows(COUNT), "when each step begins: milliseconds since 1970 UTC; steps without readings lack"),
        "minimum": rows(NUMBER),
        "mean": rows(NUMBER),
        "maximum": rows(NUMBER),
        "count": told(rows(COUNT), "readings of each step"),
        "rows_with_readings_outside_the_valid_range": COUNT,
    }
)


def _curve(call: Call) -> dict[str, Any]:
    from_ms, until_ms = _span(call)
    known = [one.name for one in channels_of(call.ask.record, call.bank)]
    asked = call.values["channels"] or tuple(known[:_MOST_CHANNELS])
    unknown = [one for one in asked if one not in known]
    if unknown:
        raise CannotBeUsed(
            f"channels: there is no {', '.join(unknown)}; this bank has: {', '.join(known) or 'none yet'}"
        )
    found = curve_values(
        curve(call.ask.record, call.ask.site, call.bank, asked, from_ms, until_ms, call.values["points"])
    )
    ends = {"from": utc_text(found.pop("from_ms")), "until": utc_text(found.pop("until_ms"))}
    return {"bank": call.bank, **ends, **found}


def _span(call: Call) -> tuple[int, int]:
    """The time asked for; the last day without any, a day where one end is missing. Raises CannotBeUsed."""
    from_ms, until_ms = call.span
    if until_ms is None:
        until_ms = call.ask.clock.wall_ms() if from_ms is None else from_ms + DAY_MS
    if from_ms is None:
        from_ms = max(until_ms - DAY_MS, 0)
    if until_ms - from_ms < _SHORTEST_MS:
        raise CannotBeUsed("until: expected a time at least a minute after from")
    return from_ms, until_ms


ENDPOINTS = (
    Endpoint(
        "curve",
        f"{BASE}/banks/{{bank}}/curve",
        "Readings over time: lowest, mean and highest of each step, from readings or summaries, as the time is long."
        " The last day without from and until. Charge is positive.",
        _curve,
        {
            200: table(
                {
                    "bank": TEXT,
                    "from": AT,
                    "until": AT,
                    "step_ms": COUNT,
                    "tier_seconds": {
                        "type": "integer",
                        "enum": list(TIERS),
                        "description": "0: the readings themselves",
                    },
                    "channels": rows(_COLUMN),
                }
            )
        },
        parameters=(
            *SPAN,
            Parameter("channels", Names(_MOST_CHANNELS), "names with commas between; all without it"),
            Parameter("points", Whole(10, 2000), "at most so many steps", MOST_POINTS),
        ),
    ),
)
