"""What counts as a right name for a seeded cause, and what is true of it too: a consequence, or a part of the seed."""

from __future__ import annotations

from collections.abc import Collection

_FADE = ("low capacity", "loss of capacity", "end of life")
_FADED_OR_RESISTIVE = (*_FADE, "rising resistance", "aged block")

RIGHT: dict[str, tuple[str, ...]] = {
    "sulfation": ("sulfated", "sulfation"),
    "stratification": ("stratification",),
    "shorted_cell": ("shorted cell",),
    "open_cell": ("open cell or strap", "open string"),
    "dry_out": ("dry-out", "loss of water"),
    "grid_corrosion": ("grid corrosion", *_FADED_OR_RESISTIVE),
    "loose_link": ("loose link", "high-resistance link"),
    "thermal_runaway": ("thermal runaway",),
    "out_of_balance": ("out of balance",),
    "low_capacity_block": ("low capacity",),
    "unequal_strings": ("unequal strings", "high-resistance link"),
    "parasitic_load": ("parasitic load",),
    "set_point_low": ("charger set point low",),
    "set_point_high": ("charger set point high",),
    "compensation_wrong": ("temperature compensation wrong",),
    "over_discharge": ("over-discharge", "deep discharge"),
    "freezing_risk": ("freezing",),
    "overcharge": ("overcharge",),
    "contamination": ("self-discharge", "contamination"),
    "active_material_wear": _FADE,
    "chronic_undercharge": ("chronic undercharge",),
    "sign_flipped": ("reversed current",),
    "shunt_scale": ("wrong current scale",),
    "bypassed_load": ("load bypasses the shunt",),
    "bypassed_charger": ("charger bypasses the shunt",),
    "swapped_taps": ("swapped taps",),
    "shifted_taps": ("shifted tap",),
    "temperature_probe": ("dead temperature probe", "detached temperature probe", "drifting temperature probe"),
    "stuck_channel": ("stuck channel",),
    "noisy_channel": ("noisy channel",),
    "sensor_offset": ("zero offset", "sum of taps", "bad tap"),
    "mirrored_taps": ("bad tap",),
    "dead_device": ("silent channel", "gaps in the record"),
    "wrong_clock": ("clock not set", "clock wrong"),
}

TRUE_TOO: dict[str, tuple[str, ...]] = {
    "sulfation": (*_FADED_OR_RESISTIVE, "chronic undercharge"),
    "stratification": ("charger set point low", "chronic undercharge", *_FADE),
    "shorted_cell": ("self-discharge", "out of balance", "spread", "charger set point high", "overcharge"),
    "open_cell": ("loose link", "high-resistance link"),
    "dry_out": (*_FADED_OR_RESISTIVE, "rising gassing", "overcharge"),
    "loose_link": ("rising resistance", "hot block"),
    # Its charger compensates no more, so that it holds too little in a cold month.
    "thermal_runaway": (
        "heat",
        "temperature compensation wrong",
        "charger set point low",
        "rising gassing",
        "overcharge",
        "dry-out",
    ),
    "out_of_balance": ("self-discharge", "spread"),
    "low_capacity_block": ("aged block", "spread", "loss of capacity", "over-discharge"),
    "unequal_strings": ("loose link", *_FADED_OR_RESISTIVE),
    "set_point_low": ("chronic undercharge", "sulfated", "sulfation", "temperature compensation wrong"),
    "set_point_high": (
        "overcharge",
        "overvoltage",
        "heat",
        "loss of water",
        "rising gassing",
        "temperature compensation wrong",
    ),
    "compensation_wrong": ("charger set point high", "charger set point low", "overcharge", "chronic undercharge"),
    "over_discharge": ("chronic undercharge", "sulfated", "sulfation"),
    "freezing_risk": ("chronic undercharge", "deep discharge", "over-discharge", "sulfated"),
    "overcharge": ("charger set point high", "overvoltage", "heat", "loss of water", "rising gassing"),
    "contamination": ("out of balance", "spread", "chronic undercharge"),
    "active_material_wear": ("rising resistance",),
    "chronic_undercharge": (
        "charger set point low",
        "deep discharge",
        "sulfated",
        "sulfation",
        "out of balance",
        "over-discharge",
    ),
    "shunt_scale": ("readings out of range",),
    "bypassed_load": ("loads and charger bypass the shunt",),
    "bypassed_charger": ("loads and charger bypass the shunt",),
    "swapped_taps": ("reversed tap", "bad tap"),
    "shifted_taps": ("tap off", "swapped taps", "bad tap"),
    "temperature_probe": ("stuck channel", "readings out of range", "noisy channel"),
    "stuck_channel": ("sum of taps", "bad tap"),
    "mirrored_taps": ("sum of taps",),
    "dead_device": ("tap off",),
}

BOTH: dict[str, tuple[str, ...]] = {"stratification": ("chronic undercharge",)}
"""Seeds that are two things at once, neither of them a sign of the other: charges that end where gas begins leave the
bank short and its acid in layers. Either may be told first, if the right name is told as well."""

SILENT_WHEN_SHALLOW = ("low_capacity_block", "active_material_wear")
"""Loss of capacity and nothing else: only a deep discharge shows it."""
SHALLOW = 0.5
"""Depth under which a curve of discharge tells no capacity: there the right answer is silence."""

NOTHING = "nothing named"


def kind_of_answer(seeded: str, named: str, standing: Collection[str] = ()) -> str:
    """How the name that is told first stands to the seeded cause: "right", "both", "true too", "nothing" or "wrong".

    `standing`: all that is named at the end.
    """
    if named == NOTHING:
        return "nothing"
    if named in RIGHT[seeded]:
        return "right"
    if named in BOTH.get(seeded, ()) and any(name in RIGHT[seeded] for name in standing):
        return "both"
    return "true too" if named in TRUE_TOO.get(seeded, ()) else "wrong"
