"""Chargers: bulk, absorption and float with temperature compensation, or a charge that finishes and switches off."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from simulators.bank_state import BankState


class Stage(Enum):
    BULK = "bulk"
    ABSORPTION = "absorption"
    FINISH = "finish"
    """A small constant current after absorption, as traction chargers give it."""
    FLOAT = "float"
    OFF = "off"


@dataclass
class ChargerProfile:
    """How a charger is set. Volts are per cell at 25 °C, amperes of the whole bank."""

    max_amps: float
    absorption_volts: float
    float_volts: float
    compensation_volts: float
    absorption_hours: float = 3.0
    tail_amps: float = 0.0
    """Absorption ends early when the current falls below this."""
    finish_amps: float = 0.0
    finish_hours: float = 0.0
    floats: bool = True


class Charger:
    """Goes through its stages by what it sees at the bank's terminals.

    `set_point_shift` (volts per cell) and `hours_factor` are where faults take hold.
    """

    FINISH_VOLTS = 2.65
    RESTART_VOLTS = 2.05

    def __init__(self, profile: ChargerProfile, cells_in_series: int) -> None:
        self.profile = profile
        self.cells = cells_in_series
        self.stage = Stage.OFF
        self.set_point_shift = 0.0
        self.hours_factor = 1.0
        self._stage_hours = 0.0

    def start(self) -> None:
        """Begin a charge from bulk."""
        self._enter(Stage.BULK)

    def stop(self) -> None:
        """Switch off, or lose the sun."""
        self._enter(Stage.OFF)

    def _enter(self, stage: Stage) -> None:
        self.stage = stage
        self._stage_hours = 0.0

    def offer(self, seconds: float, state: BankState, load_amps: float = 0.0) -> tuple[float, float]:
        """Amperes and bank volts that the charger holds as limits for the next step of `seconds`."""
        self._advance(seconds, state, state.amps + load_amps)
        return self._limit_amps(), self._set_volts(state)

    def _limit_amps(self) -> float:
        if self.stage is Stage.OFF:
            return 0.0
        return self.profile.finish_amps if self.stage is Stage.FINISH else self.profile.max_amps

    def _set_volts(self, state: BankState) -> float:
        profile = self.profile
        if self.stage is Stage.FINISH:
            volts = self.FINISH_VOLTS
        else:
            volts = profile.float_volts if self.stage is Stage.FLOAT else profile.absorption_volts
        # The charger's probe sits on the first block.
        volts -= profile.compensation_volts * (float(state.block_celsius[0]) - 25.0)
        return (volts + self.set_point_shift) * self.cells

    def _advance(self, seconds: float, state: BankState, amps: float) -> None:
        self._stage_hours += seconds / 3600.0
        profile = self.profile
        if self.stage is Stage.BULK and state.volts >= self._set_volts(state) - 0.003 * self.cells:
            self._enter(Stage.ABSORPTION)
        elif self.stage is Stage.ABSORPTION:
            tailed = 0.0 < amps < profile.tail_amps and self._stage_hours > 0.2
            if tailed or self._stage_hours >= profile.absorption_hours * self.hours_factor:
                self._after_absorption()
        elif self.stage is Stage.FINISH and self._stage_hours >= profile.finish_hours * self.hours_factor:
            self._enter(Stage.FLOAT if profile.floats else Stage.OFF)
        elif self.stage is Stage.FLOAT and state.volts < self.RESTART_VOLTS * self.cells:
            self._enter(Stage.BULK)

    def _after_absorption(self) -> None:
        if self.profile.finish_hours > 0.0:
            self._enter(Stage.FINISH)
        else:
            self._enter(Stage.FLOAT if self.profile.floats else Stage.OFF)
