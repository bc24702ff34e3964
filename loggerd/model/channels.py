"""Channels: one measured quantity of one bank, and the integer unit in which the analysis counts it.

The analysis works in whole numbers so that any grouping of readings gives the same sums to the last bit:
milliamps, millivolts, thousandths of a degree Celsius, milliamp-hours.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import Enum

MISSING = -(2**63)
"""Stands in integer columns where a scan has no value for a channel."""

BLOCK_CELSIUS = (-40.0, 120.0)
"""Outside of these no acid of a battery is measured: a block that runs away boils at about 110 (from memory)."""


class Quantity(Enum):
    """What kind of quantity a channel measures. The value is the unit shown to keepers."""

    VOLTS = "V"
    AMPS = "A"
    CELSIUS = "°C"
    AMP_HOURS = "Ah"

    @property
    def fine_unit(self) -> str:
        """Name of the integer unit of the analysis; 1000 of it are one unit of the keeper."""
        return {"V": "mV", "A": "mA", "°C": "m°C", "Ah": "mAh"}[self.value]


@dataclass(frozen=True, order=True)
class Channel:
    """A channel of a bank. `number` is 0 where the bank as a whole is meant."""

    name: str
    quantity: Quantity
    number: int = 0

    def __str__(self) -> str:
        return self.name


_FIXED = {
    "volts": Quantity.VOLTS,
    "amps": Quantity.AMPS,
    # Current averaged by the instrument over the time since its previous reading: no sampling error.
    "mean_amps": Quantity.AMPS,
    "ambient_celsius": Quantity.CELSIUS,
    # The instrument's own counters. The net counter goes up on charge; the two others only ever go up.
    "net_amp_hours": Quantity.AMP_HOURS,
    "charged_amp_hours": Quantity.AMP_HOURS,
    "discharged_amp_hours": Quantity.AMP_HOURS,
}
_NUMBERED = re.compile(r"(string|block)_([1-9][0-9]{0,2})_(volts|amps|celsius)\Z")
_NUMBERED_QUANTITIES = {
    ("string", "amps"): Quantity.AMPS,
    ("block", "volts"): Quantity.VOLTS,
    ("block", "celsius"): Quantity.CELSIUS,
}


def parse_channel(name: str) -> Channel:
    """Return the channel of that name.

    Raises ValueError, with the names that exist, for any other name.
    """
    if name in _FIXED:
        return Channel(name, _FIXED[name])
    match = _NUMBERED.match(name)
    if match:
        quantity = _NUMBERED_QUANTITIES.get((match[1], match[3]))
        if quantity is not None:
            return Channel(name, quantity, int(match[2]))
    raise ValueError(f"{', '.join(_FIXED)}, string_N_amps, block_N_volts or block_N_celsius with N from 1")
