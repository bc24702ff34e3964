"""Streams for the replay benchmark: a house off the grid and a lift truck, eight channels at 1 Hz, day by day.

Raw counts as instruments give them (10 mV, 10 mA, 1 mV of a block, 0.1 degrees), with sensor noise, a few missing
values and jitter in time. Shapes only: no physics, which would be slower than what is measured.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from loggerd.model.channels import MISSING

Integers = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

DAY_SECONDS = 86_400
FIRST_DAY_MS = 1_750_032_000_000
CHANNELS = (
    "amps",
    "volts",
    "block_1_volts",
    "block_2_volts",
    "block_3_volts",
    "block_4_volts",
    "ambient_celsius",
    "block_1_celsius",
)


def house_amps(day: int) -> Floats:
    """Sun with clouds, standby, a fridge, and appliances now and then (charge positive)."""
    rng = np.random.default_rng([1, day])
    t = np.arange(DAY_SECONDS)
    clouds = np.repeat(np.clip(rng.normal(0.7, 0.3, DAY_SECONDS // 120), 0.05, 1.0), 120)
    sun = 45.0 * np.clip(np.sin((t - 21_600) * np.pi / 43_200), 0.0, None) * clouds
    load = np.full(DAY_SECONDS, 0.5)
    load[t % 2400 < 800] += 1.8
    for _ in range(int(rng.poisson(6))):
        begin = int(rng.uniform(6, 22) * 3600)
        load[begin : begin + int(rng.uniform(120, 1500))] += rng.uniform(4, 30)
    amps: Floats = sun - load
    return amps


def truck_amps(day: int) -> Floats:
    """Two shifts of driving and lifting in bursts of 2 to 36 s, some current back when braking; a charge at night."""
    rng = np.random.default_rng([2, day])
    amps = np.zeros(DAY_SECONDS)
    t = np.arange(DAY_SECONDS)
    amps[(t >= 6 * 3600) & (t < 22 * 3600)] = -2.0
    for begin, end in ((6.0, 9.5), (10.0, 14.0), (14.5, 18.0), (18.5, 21.75)):
        count = int((end - begin) * 3600 / 45)
        on, off = rng.uniform(2, 36, count), rng.exponential(35.0, count) + 3.0
        starts = (begin * 3600 + np.cumsum(on + off) - on).astype(int)
        level, brakes = rng.uniform(20, 180, count), rng.random(count) < 0.3
        for start, length, amount, braking in zip(starts, on.astype(int), level, brakes, strict=True):
            amps[start : start + length] = -amount
            if braking:
                amps[start + length : start + length + 2] = amount / 4
    night = (t >= 22 * 3600) | (t < 5 * 3600)
    amps[night] = 75.0 * np.exp(-((t[night] - 79_200) % DAY_SECONDS) / 9000.0) + 3.0
    return amps


STREAMS: dict[str, Callable[[int], Floats]] = {"house": house_amps, "truck": truck_amps}


def day_of_counts(name: str, day: int) -> tuple[Integers, tuple[Integers, ...]]:
    """Epoch milliseconds (86400,) and one column of counts for each of CHANNELS."""
    rng = np.random.default_rng([3, day])
    amps = STREAMS[name](day)
    jitter = rng.integers(0, 4, DAY_SECONDS)
    at_ms = FIRST_DAY_MS + (day * DAY_SECONDS + np.arange(DAY_SECONDS)) * 1000 + jitter
    slow = np.cumsum(amps) / 400_000.0
    volts = 50.0 + 0.02 * amps + slow
    air = 18.0 + 6.0 * np.sin(np.arange(DAY_SECONDS) / 13_750.0)
    noisy = [amps + rng.normal(0, 0.03, DAY_SECONDS), volts + rng.normal(0, 0.007, DAY_SECONDS)]
    noisy += [volts / 4 + 0.01 * number + rng.normal(0, 0.0025, DAY_SECONDS) for number in range(4)]
    noisy += [air + rng.normal(0, 0.04, DAY_SECONDS), air + 2.0 + rng.normal(0, 0.04, DAY_SECONDS)]
    steps = (0.01, 0.01, 0.001, 0.001, 0.001, 0.001, 0.1, 0.1)
    columns = []
    for values, step in zip(noisy, steps, strict=True):
        counts = np.rint(values / step).astype(np.int64)
        counts[rng.random(DAY_SECONDS) < 0.00003] = MISSING
        columns.append(counts)
    return at_ms, tuple(columns)


def settings_text(name: str, path: str, two_devices: bool) -> str:
    """Settings of a site with one bank whose eight channels come from one instrument, or from two."""
    lines = [
        '[site]\nname = "Benchmark"\ntimezone = "UTC"\n',
        f'[record]\npath = "{path}"\n',
        f'[[bank]]\nname = "{name}"\ntype = "flooded_antimony"\nstrings = 1\nblocks_per_string = 4',
        "cells_per_block = 6\nrated_amp_hours = 225\nrated_hours = 20\n",
    ]
    groups = [CHANNELS[:2], CHANNELS[2:]] if two_devices else [CHANNELS]
    for number, channels in enumerate(groups):
        lines.append(
            f'[[device]]\nname = "meter {number + 1}"\npoll_seconds = 1.0\nbank = "{name}"\n'
            f'[device.connection]\nkind = "modbus_tcp"\nhost = "127.0.0.1"\nport = 15020\ndevice_id = {number + 1}\n'
        )
        lines += [_channel(channel, address) for address, channel in enumerate(channels)]
    return "\n".join(lines)


def _channel(name: str, address: int) -> str:
    scale, unit = (0.001 if "block" in name else 0.01), "V"
    extra = "valid = [0, 70]"
    if name.endswith("amps"):
        unit, extra = "A", "valid = [-500, 500]\naccuracy = { percent_of_reading = 0.5, offset = 0.1, noise = 0.03 }"
    elif name.endswith("celsius"):
        scale, unit, extra = 0.1, "°C", "valid = [-40, 80]"
    return (
        f'[[device.channel]]\nchannel = "{name}"\ntable = "holding"\naddress = {2 * address}\ntype = "int32"\n'
        f'scale = {scale}\nunit = "{unit}"\n{extra}\n'
    )
