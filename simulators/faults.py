"""Faults that begin at a time: in the bank and its charger, and in the sensors that read it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from simulators.bank_model import BankModel
from simulators.charger import Charger
from simulators.electrochemistry import Floats

if TYPE_CHECKING:
    from simulators.scenarios import Scenario

BANK_FAULTS = (
    "weak_block",
    "shorted_cell",
    "high_resistance_link",
    "low_set_point",
    "charger_ends_early",
)
SENSOR_FAULTS = (
    "stuck",
    "noise",
    "offset",
    "spike",
    "swapped_taps",
    "sign_flip",
    "wrong_scale",
    "dead_device",
)


@dataclass(frozen=True)
class BankFault:
    """`size` by kind: weak_block share of capacity left; high_resistance_link ohms; low_set_point volts per cell;
    charger_ends_early share of the hours left; shorted_cell takes none. `block` counts from 1 through all strings."""

    kind: str
    bank: str
    begin_seconds: float
    block: int = 1
    size: float = 0.0


@dataclass(frozen=True)
class SensorFault:
    """`size` by kind, in the channel's unit: noise standard deviation; offset; spike height (one reading in 200);
    wrong_scale factor. swapped_taps exchanges `channel` with `other_channel`; dead_device takes no channel."""

    kind: str
    device: str
    begin_seconds: float
    channel: str = ""
    end_seconds: float = float("inf")
    size: float = 0.0
    other_channel: str = ""


Fault = BankFault | SensorFault


def apply_bank_fault(fault: BankFault, model: BankModel, chargers: tuple[Charger, ...]) -> None:
    """Let a fault begin now. Raises ValueError for a kind that does not exist."""
    string, block = divmod(fault.block - 1, model.parameters.bank.blocks_per_string)
    if fault.kind == "weak_block":
        model.weaken(string, block, fault.size)
    elif fault.kind == "shorted_cell":
        model.short_cell(string, block)
    elif fault.kind == "high_resistance_link":
        model.loosen_link(string, block, fault.size)
    elif fault.kind == "low_set_point":
        for charger in chargers:
            charger.set_point_shift -= fault.size
    elif fault.kind == "charger_ends_early":
        for charger in chargers:
            charger.hours_factor *= fault.size
    else:
        raise ValueError(f'bank fault "{fault.kind}"; expected one of {", ".join(BANK_FAULTS)}')


class SensorFaults:
    """The faults of one device, laid over what it measures; chunks of any size give the same values."""

    def __init__(self, faults: tuple[SensorFault, ...], channels: tuple[str, ...], seed: int) -> None:
        for fault in faults:
            if fault.kind not in SENSOR_FAULTS:
                raise ValueError(f'sensor fault "{fault.kind}"; expected one of {", ".join(SENSOR_FAULTS)}')
            for channel in (fault.channel, fault.other_channel):
                if channel and channel not in channels:
                    raise ValueError(f'channel "{channel}"; device "{fault.device}" has {", ".join(channels)}')
        self._faults = faults
        self._channels = channels
        self._latched: dict[int, float] = {}
        self._draws = [np.random.default_rng([seed, 8, number]) for number in range(len(faults))]

    def dead(self, seconds: Floats) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Which of these instants find the device silent."""
        dead = np.zeros(len(seconds), dtype=bool)
        for fault in self._faults:
            if fault.kind == "dead_device":
                dead |= (seconds >= fault.begin_seconds) & (seconds < fault.end_seconds)
        return dead

    def lay_over(self, values: Floats, seconds: Floats) -> None:
        """Change `values` (scans, channels) in place where a fault is active at `seconds` (scans)."""
        for number, fault in enumerate(self._faults):
            if fault.kind == "dead_device":
                continue
            active = (seconds >= fault.begin_seconds) & (seconds < fault.end_seconds)
            column = values[:, self._channels.index(fault.channel)]
            if fault.kind == "stuck":
                self._stick(number, column, active)
            elif fault.kind == "swapped_taps":
                other = values[:, self._channels.index(fault.other_channel)]
                column[active], other[active] = other[active], column[active]
            else:
                self._bend(number, fault, column, active)

    def _stick(self, number: int, column: Floats, active: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> None:
        if active.any():
            held = self._latched.setdefault(number, float(column[int(active.argmax())]))
            column[active] = held

    def _bend(
        self, number: int, fault: SensorFault, column: Floats, active: np.ndarray[tuple[int], np.dtype[np.bool_]]
    ) -> None:
        # Drawn for every scan, active or not, so that the size of the chunks does not matter.
        drawn = self._draws[number].normal(size=(len(column), 2))
        if fault.kind == "noise":
            column += np.where(active, fault.size * drawn[:, 0], 0.0)
        elif fault.kind == "offset":
            column += np.where(active, fault.size, 0.0)
        elif fault.kind == "spike":
            struck = active & (drawn[:, 0] > 2.576)
            column += np.where(struck, np.copysign(fault.size, drawn[:, 1]), 0.0)
        elif fault.kind == "sign_flip":
            column[active] *= -1.0
        else:
            column[active] *= fault.size


def seeded_fault(kind: str, scenario: Scenario, seed: int, begin_seconds: float) -> Fault:
    """A fault of that kind somewhere in the scenario, chosen by the seed. Raises ValueError for an unknown kind."""
    rng = np.random.default_rng([seed, 9])
    if kind in BANK_FAULTS:
        plan = scenario.banks[int(rng.integers(len(scenario.banks)))]
        sizes = {
            "weak_block": (0.55, 0.75),
            "shorted_cell": (0.0, 0.0),
            "high_resistance_link": (1.5e-3, 4e-3),
            "low_set_point": (0.12, 0.20),
            "charger_ends_early": (0.05, 0.15),
        }
        block = 1 + int(rng.integers(plan.bank.blocks))
        return BankFault(kind, plan.bank.name, begin_seconds, block, float(rng.uniform(*sizes[kind])))
    if kind not in SENSOR_FAULTS:
        raise ValueError(f'fault "{kind}"; expected one of {", ".join(BANK_FAULTS + SENSOR_FAULTS)}')
    return _seeded_sensor_fault(kind, scenario, rng, begin_seconds)


def _seeded_sensor_fault(kind: str, scenario: Scenario, rng: np.random.Generator, begin_seconds: float) -> SensorFault:
    wanted = {"swapped_taps": "block_", "sign_flip": "amps", "wrong_scale": "amps"}.get(kind, "")
    places = [
        (device.name, channel)
        for device in scenario.devices()
        for channel in device.channels
        if channel.startswith(wanted) and not channel.endswith("hours") and (wanted != "block_" or "volts" in channel)
    ]
    device, channel = places[int(rng.integers(len(places)))]
    if kind == "dead_device":
        return SensorFault(kind, device, begin_seconds)
    others = [name for place, name in places if place == device and name != channel]
    other = others[int(rng.integers(len(others)))] if kind == "swapped_taps" else ""
    unit_sizes = {"amps": 2.0, "volts": 0.5, "block": 0.3}
    base = next((size for start, size in unit_sizes.items() if channel.startswith(start)), 3.0)
    factors = {"spike": 10.0, "wrong_scale": 1.5 / base}
    return SensorFault(kind, device, begin_seconds, channel, size=base * factors.get(kind, 1.0), other_channel=other)
