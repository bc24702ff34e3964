"""Settings of a small site of quick banks, for tests that run the whole service."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from loggerd.settings.load import load_settings
from loggerd.settings.site import SiteSettings

_HEAD = """
[site]
name = "Quick"
timezone = "Europe/Vienna"
[record]
path = "record.sqlite"
commit_seconds = {commit_seconds}
"""
_BANK = """
[[bank]]
name = "{name}"
type = "agm"
strings = 1
blocks_per_string = 4
cells_per_block = 3
rated_amp_hours = {rated_amp_hours}
rated_hours = 20
dwell_seconds = {dwell_seconds}
minimum_swing = 0.001
"""
_DEVICE = """
[[device]]
name = "{name}"
bank = "{bank}"
poll_seconds = {poll_seconds}
connection = {{ kind = "modbus_tcp", host = "127.0.0.1", port = {port}, device_id = {device_id}, timeout_seconds = 1 }}
"""
_CHANNEL = """
[[device.channel]]
channel = "{channel}"
table = "holding"
address = {address}
type = "int16"
scale = {scale}
unit = "{unit}"
"""
AMPS = """valid = [-4000, 4000]
accuracy = { percent_of_reading = 0.5, offset = 0.3, noise = 0.05 }
"""
SHUNT = ("amps", 0, 0.1, "A")
VOLTS = ("volts", 1, 0.01, "V")
TAPS = tuple((f"block_{number}_volts", number + 1, 0.01, "V") for number in range(1, 5))
AIR = ("ambient_celsius", 6, 0.1, "°C")

Channel = tuple[str, int, float, str]


def device(
    name: str,
    bank: str,
    port: int,
    channels: Sequence[Channel],
    device_id: int = 1,
    poll_seconds: float = 0.05,
    amps: str = AMPS,
) -> str:
    """A [[device]] with its channels; `amps` are further lines of its current."""
    parts = [_DEVICE.format(name=name, bank=bank, poll_seconds=poll_seconds, port=port, device_id=device_id)]
    for channel, address, scale, unit in channels:
        parts.append(_CHANNEL.format(channel=channel, address=address, scale=scale, unit=unit))
        parts.append(amps if channel == "amps" else "")
    return "".join(parts)


def bank(name: str, dwell_seconds: float = 1, rated_amp_hours: float = 50) -> str:
    return _BANK.format(name=name, dwell_seconds=dwell_seconds, rated_amp_hours=rated_amp_hours)


def write_site(folder: Path, *parts: str, commit_seconds: float = 0.25) -> Path:
    """Write site.toml from a head and these parts."""
    path = folder / "site.toml"
    path.write_text(_HEAD.format(commit_seconds=commit_seconds) + "".join(parts), encoding="utf-8")
    return path


def two_banks(
    folder: Path,
    ports: Sequence[int],
    *,
    commit_seconds: float = 0.25,
    poll_seconds: float = 0.05,
    dwell_seconds: float = 1,
    rated_amp_hours: float = 50,
) -> Path:
    """Two banks of five devices on two lines; one bank has devices on both."""
    first, second = ports
    return write_site(
        folder,
        bank("house", dwell_seconds, rated_amp_hours),
        bank("boat", dwell_seconds, rated_amp_hours),
        device("house shunt", "house", first, (SHUNT, VOLTS), 1, poll_seconds),
        device("house taps", "house", second, TAPS, 2, poll_seconds * 2),
        device("house air", "house", first, (AIR,), 3, poll_seconds * 4),
        device("boat shunt", "boat", second, (SHUNT, VOLTS), 4, poll_seconds),
        device("boat taps", "boat", second, TAPS, 5, poll_seconds * 2),
        commit_seconds=commit_seconds,
    )


def one_bank(folder: Path, port: int, *, commit_seconds: float = 0.25, poll_seconds: float = 0.05) -> Path:
    """One bank with one shunt."""
    shunt = device("shunt", "house", port, (SHUNT, VOLTS), 1, poll_seconds)
    return write_site(folder, bank("house"), shunt, commit_seconds=commit_seconds)


def settings_of(path: Path) -> SiteSettings:
    return load_settings(path)
