"""What a bank really did, as columns: what instruments measure from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from loggerd.model.channels import parse_channel
from simulators.electrochemistry import Floats

Integers = npt.NDArray[np.int64]


@dataclass
class Truth:
    """Rows are instants. `seconds` run from the site's beginning; amperes and the counter are positive on charge."""

    seconds: Floats
    volts: Floats
    amps: Floats
    net_amp_hours: Floats
    ambient_celsius: Floats
    string_amps: Floats
    block_volts: Floats
    block_celsius: Floats

    @classmethod
    def empty(cls, rows: int, strings: int, blocks: int) -> Truth:
        """Room for so many rows of a bank."""
        a, b, c, d, e = np.zeros((5, rows))
        return cls(a, b, c, d, e, np.zeros((rows, strings)), np.zeros((rows, blocks)), np.zeros((rows, blocks)))

    def column(self, channel: str) -> Floats:
        """Values of a channel by its name in loggerd. Raises ValueError for one that no instrument here measures."""
        parsed = parse_channel(channel)
        if parsed.number:
            quantity = channel.rpartition("_")[2]
            table = {"amps": self.string_amps, "volts": self.block_volts, "celsius": self.block_celsius}[quantity]
            return np.asarray(table[:, parsed.number - 1])
        columns = {
            "volts": self.volts,
            "amps": self.amps,
            "net_amp_hours": self.net_amp_hours,
            "ambient_celsius": self.ambient_celsius,
        }
        if channel not in columns:
            known = ", ".join(columns)
            raise ValueError(f'channel "{channel}"; simulated instruments measure {known} and numbered ones')
        return columns[channel]
