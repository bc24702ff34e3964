"""A voltage-tap logger: every block's volts (uint16, mV, from register 0) and temperature (int16, 0.1 °C, from 100)."""

from __future__ import annotations

from simulators.instruments.instrument import Mount, Point, RegisterInstrument

CELSIUS_REGISTER = 100


class TapLogger(RegisterInstrument):
    """Taps of `blocks` blocks, at most 100. `temperatures` is false for a logger without probes."""

    def __init__(
        self,
        mount: Mount,
        *,
        blocks: int,
        block_volts: float,
        temperatures: bool = True,
    ) -> None:
        points = [
            Point(
                f"block_{number}_volts",
                "uint16",
                0.001,
                "V",
                number - 1,
                gain=0.001,
                offset=0.003,
                noise=0.002,
                valid=(0.0, 1.7 * block_volts),
            )
            for number in range(1, blocks + 1)
        ]
        if temperatures:
            points += [
                Point(
                    f"block_{number}_celsius",
                    "int16",
                    0.1,
                    "°C",
                    CELSIUS_REGISTER + number - 1,
                    offset=0.5,
                    noise=0.05,
                    valid=(-40.0, 80.0),
                )
                for number in range(1, blocks + 1)
            ]
        super().__init__(mount, points)
