"""From what happened to what instruments read: stated accuracy, error within it, steps, and faults of the measuring."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loggerd.model.bank import Accuracy
from simulators.judging.chemistry import Floats, Layout
from simulators.judging.faults import Fault
from simulators.judging.site import DayRecord

Readings = dict[str, Floats]


def stated_accuracy(layout: Layout) -> dict[str, Accuracy]:
    """What the instruments' makers state, by channel."""
    rated, volts = layout.rated_amp_hours, 2.0 * layout.cells_in_series
    amps = Accuracy(gain=0.003, offset=2.5e-4 * rated, noise=1e-4 * rated, resolution=0.01)
    tap = Accuracy(gain=0.001, offset=0.008, noise=0.002, resolution=0.002)
    probe = Accuracy(gain=None, offset=1.0, noise=0.05, resolution=0.1)
    stated = {"volts": Accuracy(0.001, 5e-4 * volts, 0.005, 0.01), "amps": amps, "ambient_celsius": probe}
    for block in range(1, layout.blocks + 1):
        stated[f"block_{block}_volts"] = tap
        if _has_probe(layout, block):
            stated[f"block_{block}_celsius"] = probe
    if layout.strings > 1:
        stated |= {f"string_{string}_amps": amps for string in range(1, layout.strings + 1)}
    return stated


def _has_probe(layout: Layout, block: int) -> bool:
    """Probes sit on every block of a cabin, on every second one of a truck or cart."""
    return layout.site == "solar" or block % 2 == 1


@dataclass
class Sensors:
    """The instruments of one bank. Errors are drawn from its seed, within what is stated."""

    layout: Layout
    seed: int
    fault: Fault | None = None

    def __post_init__(self) -> None:
        self.accuracy = stated_accuracy(self.layout)
        rng = np.random.default_rng([self.seed, 20])
        self._errors = {
            channel: (_within(rng, stated.gain), _within(rng, stated.offset), float(rng.uniform(0.4, 1.0)))
            for channel, stated in self.accuracy.items()
        }
        self._held: dict[str, float] = {}

    def read(self, record: DayRecord, bank: int, day: int) -> Readings:
        """The day's readings of every channel, one a minute. Days are read in order (a stuck channel holds)."""
        active = self.fault if self.fault is not None and day >= self.fault.begin_day else None
        values = self._true_values(record, bank, active)
        rng = np.random.default_rng([self.seed, 21, day])
        for channel, stated in self.accuracy.items():
            gain, offset, noise = self._errors[channel]
            drawn = rng.standard_normal(len(record.volts), dtype=np.float32)
            values[channel] = values[channel] * (1.0 + gain) + offset + drawn * (noise * (stated.noise or 0.0))
        if active is not None:
            self._spoil(active, values, day)
        for channel, stated in self.accuracy.items():
            values[channel] = np.round(values[channel] / stated.resolution) * stated.resolution
        return values

    def _true_values(self, record: DayRecord, bank: int, fault: Fault | None) -> Readings:
        strings = record.string_amps[:, bank]
        amps = strings.sum(axis=1)
        if fault is not None and fault.cause == "bypassed_load":
            amps = amps + (0.3, 0.6, 1.0)[fault.severity] * record.load_amps[:, bank]
        if fault is not None and fault.cause == "bypassed_charger":
            amps = amps - (0.3, 0.6, 1.0)[fault.severity] * record.charge_amps[:, bank]
        values: Readings = {
            "volts": record.volts[:, bank],
            "amps": amps,
            "ambient_celsius": record.ambient_celsius[:, bank],
        }
        blocks = self._taps(record.block_volts[:, bank], fault)
        celsius = record.celsius[:, bank].reshape(len(amps), -1)
        for number in range(self.layout.blocks):
            values[f"block_{number + 1}_volts"] = blocks[:, number]
            values[f"block_{number + 1}_celsius"] = celsius[:, number]
        for number in range(self.layout.strings):
            values[f"string_{number + 1}_amps"] = strings[:, number]
        return {channel: values[channel] for channel in self.accuracy}

    def _taps(self, block_volts: Floats, fault: Fault | None) -> Floats:
        """Volts between neighbouring tap wires, shape (minutes, blocks), given where each wire really is."""
        minutes, strings, blocks = block_volts.shape
        nodes = np.zeros((minutes, strings, blocks + 1))
        nodes[:, :, :-1] = block_volts[:, :, ::-1].cumsum(axis=2)[:, :, ::-1]
        if fault is not None and fault.cause == "swapped_taps":
            string, wire = self._wire(fault)
            nodes[:, string, [wire, wire + 1]] = nodes[:, string, [wire + 1, wire]]
        elif fault is not None and fault.cause == "shifted_taps":
            # Every wire sits one terminal too early: the last input sees nothing, the first block is not seen.
            nodes[:, :, :-1] = nodes[:, :, 1:].copy()
        elif fault is not None and fault.cause == "mirrored_taps":
            string, wire = self._wire(fault)
            sign = 1.0 if fault.draw > 0.5 else -1.0
            nodes[:, string, wire] += sign * (0.06, 0.15, 0.4)[fault.severity]
        taps: Floats = (nodes[:, :, :-1] - nodes[:, :, 1:]).reshape(minutes, strings * blocks)
        return taps

    def _wire(self, fault: Fault) -> tuple[int, int]:
        """String, and number of the wire at the lower end of the fault's block."""
        string, block = divmod(fault.block - 1, self.layout.blocks_per_string)
        return string, min(block + 1, self.layout.blocks_per_string - 2)

    # -- faults of the measuring -------------------------------------------------------------------------------

    def _spoil(self, fault: Fault, values: Readings, day: int) -> None:
        severity, since = fault.severity, day - fault.begin_day
        rng = np.random.default_rng([self.seed, 22, day])
        if fault.cause == "sign_flipped":
            values["amps"] = -values["amps"]
        elif fault.cause == "shunt_scale":
            values["amps"] = values["amps"] * (50.0 / 75.0, 75.0 / 50.0, 1000.0)[severity]
        elif fault.cause == "temperature_probe":
            self._spoil_probe(fault, values, since)
        elif fault.cause == "stuck_channel":
            held = self._held.setdefault(fault.channel, float(values[fault.channel][0]))
            share = (0.5, 1.0, 1.0)[severity]
            stuck = np.zeros(len(values["volts"]), dtype=bool)
            stuck[: int(share * len(stuck))] = True
            values[fault.channel] = np.where(stuck, held, values[fault.channel])
        elif fault.cause == "noisy_channel":
            stated = self.accuracy[fault.channel].noise or 0.0
            size = (10.0, 25.0, 80.0)[severity] * stated
            values[fault.channel] = values[fault.channel] + size * rng.standard_normal(len(values["volts"]))
        elif fault.cause == "sensor_offset":
            stated = self.accuracy[fault.channel].offset or 0.0
            sign = 1.0 if fault.draw > 0.5 else -1.0
            values[fault.channel] = values[fault.channel] + sign * (5.0, 10.0, 25.0)[severity] * stated
        elif fault.cause == "dead_device":
            self._silence(fault, values, rng)

    def _spoil_probe(self, fault: Fault, values: Readings, since: int) -> None:
        """Mild drifts away, moderate has come off and shows the air, severe shows a device's error value."""
        channel = fault.channel
        channel = channel if channel in values else channel.replace(channel.split("_")[1], "1")
        if fault.severity == 0:
            values[channel] = values[channel] + (1.0 if fault.draw > 0.5 else -1.0) * 0.35 * (since + 1)
        elif fault.severity == 1:
            values[channel] = values["ambient_celsius"] + 0.0
        else:
            values[channel] = np.full(len(values[channel]), -127.0 if fault.draw > 0.5 else 85.0)

    def _silence(self, fault: Fault, values: Readings, rng: np.random.Generator) -> None:
        """One of two devices, shunt or taps: mild drops out for hours, the worse ones are silent for good."""
        shunt = fault.draw > 0.5
        dead = np.ones(len(values["volts"]), dtype=bool)
        if fault.severity == 0:
            dead[:] = False
            start = int(rng.integers(0, 1000))
            dead[start : start + int(rng.integers(120, 440))] = True
        for channel in values:
            if (channel in ("amps", "volts", "ambient_celsius") or channel.startswith("string")) == shunt:
                values[channel] = np.where(dead, np.nan, values[channel])


def clock_error_ms(fault: Fault | None, day: int) -> int:
    """Error of the logger's wall clock that day: an hour on, six hours back, or back to the year 2000."""
    if fault is None or fault.cause != "wrong_clock" or day < fault.begin_day:
        return 0
    return (3_600_000, -6 * 3_600_000, -26 * 365 * 86_400_000)[fault.severity]


def _within(rng: np.random.Generator, limit: float | None) -> float:
    """An error that stays within a stated limit, which is about two standard deviations."""
    return float(np.clip(rng.normal(0.0, 0.5), -1.0, 1.0)) * (limit or 0.0)
