"""A shunt monitor: bank volts, current, temperature and a net amp-hour counter.

Its registers, an invented layout: 100 volts (uint16, 0.01 V); 101-102 amps (int32, mA); 103 shunt volts (int16,
0.01 mV); 104 temperature (int16, 0.1 °C); 105-106 net amp-hours (int32, 0.01 Ah, charge counts up).
"""

from __future__ import annotations

from dataclasses import dataclass

from simulators.instruments.instrument import Mount, Point, RegisterInstrument


@dataclass(frozen=True)
class Shunt:
    """Gives `rated_millivolts` when `rated_amps` flow."""

    rated_amps: float = 500.0
    rated_millivolts: float = 50.0


class ShuntMonitor(RegisterInstrument):
    """Reports amps, or with `as_millivolts` only the shunt's millivolts, which the settings turn into amps.

    `measures_air` adds its temperature as the ambient channel.
    """

    def __init__(
        self,
        mount: Mount,
        *,
        rated_volts: float,
        shunt: Shunt | None = None,
        as_millivolts: bool = False,
        measures_air: bool = False,
    ) -> None:
        high = 1.5 * rated_volts
        points = [Point("volts", "uint16", 0.01, "V", 100, gain=0.002, offset=0.02, noise=0.005, valid=(0.0, high))]
        points.append((_millivolts if as_millivolts else _amps)(shunt or Shunt()))
        if measures_air:
            points.append(
                Point("ambient_celsius", "int16", 0.1, "°C", 104, offset=0.5, noise=0.05, valid=(-40.0, 80.0))
            )
        points.append(Point("net_amp_hours", "int32", 0.01, "Ah", 105, gain=0.005, valid=(-2e7, 2e7)))
        super().__init__(mount, points)


def _amps(shunt: Shunt) -> Point:
    most = 1.2 * shunt.rated_amps
    return Point("amps", "int32", 0.001, "A", 101, gain=0.005, offset=0.05, noise=0.02, valid=(-most, most))


def _millivolts(shunt: Shunt) -> Point:
    most = 1.2 * shunt.rated_amps
    return Point(
        "amps",
        "int16",
        0.01,
        "mV",
        103,
        per_unit=shunt.rated_millivolts / shunt.rated_amps,
        gain=0.005,
        offset=0.1,
        noise=0.05,
        valid=(-most, most),
        place={"shunt": {"rated_amps": shunt.rated_amps, "rated_millivolts": shunt.rated_millivolts}},
    )
