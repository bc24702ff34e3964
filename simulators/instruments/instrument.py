"""What every simulated instrument does: measure with its own error, round to counts, lay the counts into registers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from simulators.electrochemistry import Floats
from simulators.faults import SensorFault, SensorFaults
from simulators.truth import Integers, Truth

Words = npt.NDArray[np.uint16]

_LIMITS = {
    "int16": (-(2**15), 2**15 - 1),
    "uint16": (0, 2**16 - 1),
    "int32": (-(2**31), 2**31 - 1),
    "text": (-(2**53), 2**53),
}


@dataclass(frozen=True)
class Point:
    """One measured quantity of an instrument.

    count = round(reading * per_unit / scale), where `per_unit` turns the channel's unit (charge positive) into the
    instrument's (`unit`). `gain` and `offset` bound the instrument's own fixed error, `noise` is the standard deviation
    of a reading; both in the channel's unit.
    """

    channel: str
    type: str
    scale: float
    unit: str
    address: int = 0
    table: str = "holding"
    order: str = "ABCD"
    per_unit: float = 1.0
    gain: float = 0.0
    offset: float = 0.0
    noise: float = 0.0
    valid: tuple[float, float] = (-1e6, 1e6)
    place: dict[str, Any] = field(default_factory=dict)
    """Further keys of the channel's entry in the settings (shunt, point, field, sign)."""

    @property
    def words(self) -> int:
        return 2 if self.type == "int32" else 1


@dataclass(frozen=True)
class Mount:
    """Where an instrument hangs: its name, the bank it measures, its device id on a wire that has such, its pace."""

    name: str
    bank: str
    device_id: int = 1
    poll_seconds: float = 1.0


class Instrument:
    """Measures one bank. Give it to a wire to serve it, or ask it for counts to make history without one."""

    def __init__(self, mount: Mount, points: Sequence[Point]) -> None:
        self.name = mount.name
        self.bank = mount.bank
        self.poll_seconds = mount.poll_seconds
        self.points = tuple(points)
        self.channels = tuple(point.channel for point in self.points)
        self.prepare(0, ())

    def prepare(self, seed: int, faults: tuple[SensorFault, ...]) -> None:
        """Draw the instrument's own fixed errors and set its faults; done by the site before anything is measured."""
        rng = np.random.default_rng([seed, 10, *self.name.encode()])
        share = rng.uniform(-0.5, 0.5, (2, len(self.points)))
        self._gains = 1.0 + share[0] * [point.gain for point in self.points]
        self._offsets = share[1] * [point.offset for point in self.points]
        self._noise = np.array([point.noise for point in self.points])
        self._factors = np.array([point.per_unit / point.scale for point in self.points])
        self._lows, self._highs = (np.array([_LIMITS[p.type][side] for p in self.points]) for side in (0, 1))
        self._rng = rng
        mine = tuple(fault for fault in faults if fault.device == self.name)
        self._faults = SensorFaults(mine, self.channels, seed)

    def dead(self, seconds: Floats) -> npt.NDArray[np.bool_]:
        """Which of these instants find the instrument silent."""
        return self._faults.dead(seconds)

    def measure(self, truth: Truth) -> Floats:
        """Readings (instants, channels) in the channels' units, with the instrument's error, before rounding."""
        values: Floats = np.column_stack([truth.column(channel) for channel in self.channels])
        values = values * self._gains + self._offsets + self._rng.normal(size=values.shape) * self._noise
        self._faults.lay_over(values, truth.seconds)
        return values

    def counts(self, truth: Truth) -> Integers:
        """Raw counts (instants, channels) as the instrument reports them, in the order of its channels."""
        rounded = np.rint(self.measure(truth) * self._factors)
        counts: Integers = np.clip(rounded, self._lows, self._highs).astype(np.int64)
        return counts

    def channel_entries(self) -> list[dict[str, Any]]:
        """The `[[device.channel]]` entries of this instrument for the settings file."""
        return [self._entry(point) for point in self.points]

    def _entry(self, point: Point) -> dict[str, Any]:
        entry: dict[str, Any] = {"channel": point.channel}
        if point.type != "text" and "point" not in point.place:
            entry |= {"table": point.table, "address": point.address, "type": point.type}
            if point.words > 1:
                entry["order"] = point.order
            entry["scale"] = point.scale
        entry |= {"unit": point.unit, **point.place, "valid": list(point.valid)}
        accuracy: dict[str, float] = {}
        if point.gain:
            accuracy["percent_of_reading"] = round(100 * point.gain, 6)
        if point.offset:
            accuracy["offset"] = point.offset
        if point.noise:
            accuracy["noise"] = point.noise
        return entry | ({"accuracy": accuracy} if accuracy else {})


class RegisterInstrument(Instrument):
    """An instrument with registers. `first` and `length` bound its register image, PDU addresses from 0."""

    def __init__(self, mount: Mount, points: Sequence[Point]) -> None:
        super().__init__(mount, points)
        self.device_id = mount.device_id
        self.first = min(point.address for point in self.points)
        self.length = max(point.address + point.words for point in self.points) - self.first

    def words(self, counts: Integers) -> Words:
        """The register image (instants, registers from `first` on) of these counts; unused registers are 0."""
        image: Words = np.zeros((len(counts), self.length), dtype=np.uint16)
        for number, point in enumerate(self.points):
            at = point.address - self.first
            column = counts[:, number]
            if point.words == 2:
                high, low = (column >> 16) & 0xFFFF, column & 0xFFFF
                image[:, at], image[:, at + 1] = (high, low) if point.order == "ABCD" else (low, high)
            else:
                image[:, at] = column & 0xFFFF
        return image

    def registers(self, truth: Truth) -> list[int]:
        """The register image of one instant: what a client reads now."""
        return [int(word) for word in self.words(self.counts(truth))[0]]
