"""One rest, frame by frame: its voltages at fixed times, its leak, and how it began."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isnan
from typing import Any

from loggerd.analysis.findings.full_charge_reading import Limits, Reading
from loggerd.analysis.findings.rest_extrapolation import GRID_MINUTES
from loggerd.analysis.frames import FRAME_MS, Frame

FRAME_MINUTES = FRAME_MS // 60_000
WHOLE_FRAMES = GRID_MINUTES[-1] // FRAME_MINUTES
_AN_HOUR = 12
_A_DAY = 288
_KEPT_DAYS = 60


@dataclass
class Window:
    """`volts`: per cell at 25 °C at the first GRID_MINUTES; `hour`: of the last hour; `days`: once a day
    [days, volts, celsius].
    """

    start_ms: int
    after: str
    after_full: str
    frames: int = 0
    amps: float = 0.0
    celsius: float | None = None
    volts: list[float] = field(default_factory=list)
    hour: list[float] = field(default_factory=list)
    days: list[list[float | None]] = field(default_factory=list)
    blocks: list[float | None] = field(default_factory=list)
    told: bool = False

    def add(self, frame: Frame, reading: Reading, limits: Limits) -> None:
        """A frame of it."""
        volts = at_25(reading, limits)
        self.frames += 1
        self.amps += reading.amps
        if reading.celsius is not None:
            self.celsius = reading.celsius
        self.hour = [*self.hour, volts][-_AN_HOUR:]
        if self.frames <= WHOLE_FRAMES:
            if self.frames * FRAME_MINUTES in GRID_MINUTES:
                self.volts.append(volts)
            self.blocks = [None if isnan(one) else one for one in frame.block_volts.tolist()]
        elif self.frames % _A_DAY == 0:
            mean = sum(self.hour) / len(self.hour)
            self.days = [*self.days, [self.frames / _A_DAY, mean, reading.celsius]][-_KEPT_DAYS:]

    def is_held(self, above: float, still: float) -> bool:
        """Whether a charger holds it: it stands at a high voltage that does not fall."""
        return len(self.hour) == _AN_HOUR and min(self.hour) >= above and abs(self.hour[-1] - self.hour[0]) <= still

    @property
    def hours(self) -> float:
        return self.frames * FRAME_MINUTES / 60

    @property
    def leak_amps(self) -> float:
        return self.amps / self.frames if self.frames else 0.0

    def to_plain(self) -> dict[str, Any]:
        return dict(vars(self))

    @staticmethod
    def from_plain(plain: Mapping[str, Any] | None) -> Window | None:
        return None if plain is None else Window(**plain)


def at_25(reading: Reading, limits: Limits) -> float:
    """Rested volts per cell as they would be at 25 °C."""
    if reading.celsius is None:
        return reading.volts
    return reading.volts - limits["rest_volts_per_kelvin"] * (reading.celsius - 25.0)
