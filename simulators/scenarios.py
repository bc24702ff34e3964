"""The invented sites: banks, what they are asked for, and the instruments that stand there. Deterministic by seed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from loggerd.model.bank import Bank, BankType
from simulators.bank_parameters import BankParameters
from simulators.bank_state import BankState, Demand
from simulators.cabin import Cabin
from simulators.charger import Charger
from simulators.forklift import Forklift
from simulators.golf import GolfCart
from simulators.instruments.instrument import Instrument, Mount, RegisterInstrument
from simulators.instruments.line_printer import WeatherStation
from simulators.instruments.modbus_rtu import ModbusRtuWire
from simulators.instruments.modbus_tcp import ModbusTcpWire
from simulators.instruments.serial_text import SerialTextWire
from simulators.instruments.shunt_monitor import ShuntMonitor
from simulators.instruments.sunspec_battery import SunSpecBattery
from simulators.instruments.tap_logger import TapLogger
from simulators.instruments.wire import Wire


class Controller(Protocol):
    """What makes a bank work: loads and chargers by the time of day. Seconds are local ones since 1970-01-01."""

    @property
    def chargers(self) -> tuple[Charger, ...]: ...

    def demand(self, seconds: float, step: float, state: BankState) -> Demand: ...


@dataclass(frozen=True)
class BankPlan:
    """A bank of a site and what makes it work; the controller is made from the site's seed."""

    parameters: BankParameters
    controller: Callable[[int], Controller]

    @property
    def bank(self) -> Bank:
        return self.parameters.bank


@dataclass(frozen=True)
class Scenario:
    """A site. Its instruments carry state: make a new scenario for every simulated site."""

    name: str
    site_name: str
    timezone: str
    utc_offset_hours: float
    """Local standard time, by which people and sun keep their hours here."""
    banks: tuple[BankPlan, ...]
    wires: tuple[Wire, ...]

    def devices(self) -> list[Instrument]:
        """All instruments, wire by wire."""
        return [instrument for wire in self.wires for instrument in wire.instruments]


def cabin(modbus_port: int = 0) -> Scenario:
    """An off-grid cabin: 48 V flooded, sun, a fridge, evenings, a generator now and then."""
    bank = Bank("house", BankType.FLOODED_ANTIMONY, 1, 8, 3, 225.0, 20.0)
    plan = BankPlan(
        BankParameters(bank, start_fill=0.9, start_celsius=12.0), lambda seed: Cabin(bank.cells_in_series, seed)
    )
    shunt = ShuntMonitor(Mount("shunt", "house"), rated_volts=48.0)
    taps = TapLogger(Mount("taps", "house", device_id=11, poll_seconds=5.0), blocks=8, block_volts=6.0)
    wires = (
        ModbusTcpWire((shunt,), port=modbus_port),
        ModbusRtuWire((taps,)),
        SerialTextWire(WeatherStation(Mount("weather", "house", poll_seconds=10.0))),
    )
    return Scenario("cabin", "Cabin above the lake", "Europe/Vienna", 1.0, (plan,), wires)


def forklift(modbus_port: int = 0) -> Scenario:
    """A forklift in two shifts: 80 V traction bank in ten trays of four cells."""
    bank = Bank("truck", BankType.FLOODED_ANTIMONY, 1, 10, 4, 620.0, 5.0)
    plan = BankPlan(
        BankParameters(bank, start_celsius=22.0, equivalent_cycles=300.0),
        lambda seed: Forklift(bank.cells_in_series, bank.rated_amp_hours, seed),
    )
    battery = SunSpecBattery(Mount("monitor", "truck"), rated_amp_hours=620.0, rated_volts=80.0)
    taps = TapLogger(Mount("taps", "truck", device_id=21, poll_seconds=5.0), blocks=10, block_volts=8.0)
    wires = (ModbusTcpWire((battery,), port=modbus_port), ModbusRtuWire((taps,), baud=19200))
    return Scenario("forklift", "Warehouse 2", "Europe/Vienna", 1.0, (plan,), wires)


def golf(modbus_port: int = 0, carts: int = 3) -> Scenario:
    """A golf fleet: carts with six blocks of 8 V; shunts behind one Modbus TCP server, taps on one RS-485 line."""
    plans, shunts, taps = [], [], []
    for number in range(1, carts + 1):
        bank = Bank(f"cart_{number}", BankType.FLOODED_ANTIMONY, 1, 6, 4, 170.0, 20.0)
        parameters = BankParameters(bank, start_celsius=20.0, equivalent_cycles=60.0 * number)
        plans.append(BankPlan(parameters, _cart_controller(bank, number)))
        shunts.append(
            ShuntMonitor(
                Mount(f"shunt_{number}", bank.name, device_id=number),
                rated_volts=48.0,
                as_millivolts=True,
                measures_air=number == 1,
            )
        )
        taps.append(
            TapLogger(
                Mount(f"taps_{number}", bank.name, device_id=30 + number, poll_seconds=5.0),
                blocks=6,
                block_volts=8.0,
                temperatures=False,
            )
        )
    registers: tuple[tuple[RegisterInstrument, ...], ...] = (tuple(shunts), tuple(taps))
    wires = (ModbusTcpWire(registers[0], port=modbus_port), ModbusRtuWire(registers[1]))
    return Scenario("golf", "Links by the dunes", "Europe/Lisbon", 0.0, tuple(plans), wires)


def _cart_controller(bank: Bank, number: int) -> Callable[[int], Controller]:
    return lambda seed: GolfCart(bank.cells_in_series, bank.rated_amp_hours, 100 * seed + number)


SCENARIOS: dict[str, Callable[[int], Scenario]] = {"cabin": cabin, "forklift": forklift, "golf": golf}
"""Name of a scenario: what makes it, given the port of its Modbus TCP server (0 for a free one)."""
