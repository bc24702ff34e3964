"""Faults to seed: which there are, where they can be, and how one is drawn.

`effects` does those of the bank and its charger, `sensors` those of the measuring.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulators.judging.chemistry import LAYOUTS, Layout

SEVERITIES = ("mild", "moderate", "severe")
HEALTHY = "healthy"


@dataclass(frozen=True)
class Fault:
    """One seeded fault. String and block count from 1 (block through all strings), 0 where none is meant.

    `channel`: name of the channel of a fault of the measuring.
    """

    cause: str
    severity: int
    """0 mild, 1 moderate, 2 severe."""
    begin_day: int
    string: int = 0
    block: int = 0
    channel: str = ""
    draw: float = 0.5
    """Uniform in 0..1: whatever else is by chance."""

    @property
    def subject(self) -> str:
        """Where it sits, in the words of a finding's subject."""
        if self.channel:
            return self.channel
        if self.block:
            return f"block {self.block}"
        return f"string {self.string}" if self.string else "bank"


BANK_CAUSES = (
    "sulfation",
    "stratification",
    "shorted_cell",
    "open_cell",
    "dry_out",
    "grid_corrosion",
    "loose_link",
    "thermal_runaway",
    "out_of_balance",
    "low_capacity_block",
    "unequal_strings",
    "parasitic_load",
    "set_point_low",
    "set_point_high",
    "compensation_wrong",
    "over_discharge",
    "freezing_risk",
    "overcharge",
    "contamination",
    "active_material_wear",
    "chronic_undercharge",
)
SENSOR_CAUSES = (
    "sign_flipped",
    "shunt_scale",
    "bypassed_load",
    "bypassed_charger",
    "swapped_taps",
    "shifted_taps",
    "temperature_probe",
    "stuck_channel",
    "noisy_channel",
    "sensor_offset",
    "mirrored_taps",
    "dead_device",
    "wrong_clock",
)
CAUSES = (*BANK_CAUSES, *SENSOR_CAUSES)
_OF_A_BLOCK = ("shorted_cell", "open_cell", "loose_link", "out_of_balance", "low_capacity_block", "contamination")
_SLOW = {"sulfation": 130, "dry_out": 130, "grid_corrosion": 210, "active_material_wear": 210, "stratification": 60}
_SLOW |= {"low_capacity_block": 90, "unequal_strings": 90, "contamination": 90, "out_of_balance": 75}


def possible(cause: str, layout: Layout) -> bool:
    """Whether that fault can befall a bank of that layout."""
    sealed = layout.chemistry.recombined > 0.5
    if cause == "thermal_runaway":
        return sealed
    if cause == "unequal_strings":
        return layout.strings > 1
    if cause in ("stratification", "contamination", "overcharge"):
        return not sealed
    if cause == "freezing_risk":
        return layout.site == "solar"
    return True


def days_needed(cause: str) -> int:
    """Days after its beginning that a fault is watched for."""
    return _SLOW.get(cause, 60)


def draw_fault(cause: str, severity: int, layout_name: str, seed: int, begin_day: int) -> Fault:
    """A fault at a place drawn by the seed. Raises ValueError for a cause that does not exist or cannot be there."""
    layout = LAYOUTS[layout_name]
    if cause not in CAUSES:
        raise ValueError(f'cause "{cause}"; expected one of {", ".join(CAUSES)}')
    if not possible(cause, layout):
        raise ValueError(f'"{cause}" cannot befall a bank of the layout "{layout_name}"')
    rng = np.random.default_rng([seed, 10])
    block = 1 + int(rng.integers(layout.blocks))
    string = (block - 1) // layout.blocks_per_string + 1
    draw = float(rng.uniform())
    if cause in SENSOR_CAUSES:
        return _draw_sensor_fault(cause, severity, layout, rng, begin_day)
    if cause == "unequal_strings":
        return Fault(cause, severity, begin_day, string, 0, draw=draw)
    if cause in _OF_A_BLOCK:
        return Fault(cause, severity, begin_day, string, block, draw=draw)
    return Fault(cause, severity, begin_day, draw=draw)


def _draw_sensor_fault(cause: str, severity: int, layout: Layout, rng: np.random.Generator, begin_day: int) -> Fault:
    draw, blocks = float(rng.uniform()), layout.blocks_per_string
    string = int(rng.integers(layout.strings))
    # Taps 0..blocks of a string; the outermost wires sit on the string's ends and are not mistaken.
    within = 1 + int(rng.integers(blocks - 2))
    block = string * blocks + within
    if cause in ("swapped_taps", "mirrored_taps"):
        return Fault(cause, severity, begin_day, string + 1, block, f"block_{block}_volts", draw)
    if cause in ("stuck_channel", "noisy_channel", "sensor_offset"):
        channel = ("amps", "volts", f"block_{block}_volts")[int(rng.integers(3))]
        return Fault(cause, severity, begin_day, 0, 0, channel, draw)
    if cause == "temperature_probe":
        return Fault(cause, severity, begin_day, 0, 0, f"block_{1 + int(rng.integers(layout.blocks))}_celsius", draw)
    return Fault(cause, severity, begin_day, draw=draw)
