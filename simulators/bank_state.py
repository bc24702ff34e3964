"""What goes into a step of a simulated bank, and what comes out."""

from __future__ import annotations

from dataclasses import dataclass

from simulators.electrochemistry import Floats


@dataclass
class Demand:
    """What is asked of the bank in one step.

    `load_amps` flows to the loads; a charger gives up to `source_amps` more, as long as the bank stays under
    `set_volts` (of the whole bank).
    """

    load_amps: float = 0.0
    source_amps: float = 0.0
    set_volts: float = float("inf")
    ambient_celsius: float = 20.0


@dataclass
class BankState:
    """How the bank stands at the end of a step. Amperes are positive on charge; blocks run through string 1 first."""

    volts: float
    amps: float
    ambient_celsius: float
    string_amps: Floats
    block_volts: Floats
    block_celsius: Floats
