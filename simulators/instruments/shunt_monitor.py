"""A shunt monitor: bank volts, current, temperature and a net amp-hour counter in six to eight registers."""

from __future__ import annotations

from simulators.instruments.instrument import Point, RegisterInstrument

FIRST_REGISTER = 100
"""100 volts (uint16, 0.01 V); 101-102 amps (int32, mA); 103 shunt volts (int16, 0.01 mV); 104 temperature
(int16, 0.1 °C); 105-106 net amp-hours (int32, 0.01 Ah, charge counts up). An invented layout."""


class ShuntMonitor(RegisterInstrument):
    """Reports amps, or with `as_millivolts` only the shunt's millivolts, which the settings turn into amps.

    `measures_air` adds its temperature as the ambient channel.
    """

    def __init__(
        self,
        name: str,
        bank: str,
        *,
        rated_volts: float,
        shunt_amps: float = 500.0,
        shunt_millivolts: float = 50.0,
        as_millivolts: bool = False,
        measures_air: bool = False,
        device_id: int = 1,
        poll_seconds: float = 1.0,
    ) -> None:
        amps = (-1.2 * shunt_amps, 1.2 * shunt_amps)
        points = [
            Point(
                "volts", "uint16", 0.01, "V", 100, gain=0.002, offset=0.02, noise=0.005, valid=(0.0, 1.5 * rated_volts)
            )
        ]
        if as_millivolts:
            shunt = {"shunt": {"rated_amps": shunt_amps, "rated_millivolts": shunt_millivolts}}
            ratio = shunt_millivolts / shunt_amps
            points.append(
                Point(
                    "amps",
                    "int16",
                    0.01,
                    "mV",
                    103,
                    per_unit=ratio,
                    gain=0.005,
                    offset=0.1,
                    noise=0.05,
                    valid=amps,
                    place=shunt,
                )
            )
        else:
            points.append(
                Point("amps", "int32", 0.001, "A", 101, gain=0.005, offset=0.05, noise=0.02, valid=amps)
            )
        if measures_air:
            points.append(Point("ambient_celsius", "int16", 0.1, "°C", 104, offset=0.5, noise=0.05, valid=(-40.0, 80.0)))
        points.append(Point("net_amp_hours", "int32", 0.01, "Ah", 105, gain=0.005, valid=(-2e7, 2e7)))
        super().__init__(name, bank, points, device_id=device_id, poll_seconds=poll_seconds)
