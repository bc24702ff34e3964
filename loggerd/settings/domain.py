"""From settings to the model: banks, and the series of each device with their dated scales. Pure conversion."""

from __future__ import annotations

from fractions import Fraction

from loggerd.model.bank import Accuracy, Bank, Series, SeriesScale
from loggerd.model.channels import BLOCK_CELSIUS, Channel, Quantity
from loggerd.settings.bank import BankSettings
from loggerd.settings.channel import ChannelSettings, InForce
from loggerd.settings.device import DeviceSettings
from loggerd.settings.site import SiteSettings
from loggerd.settings.units import UNITS, exact

FINE_PER_TRADE = 1000
"""Fine units (mV, mA, m°C, mAh) in one trade unit (V, A, °C, Ah)."""

# Valid ranges where none is stated: wide enough for a reversed cell, a cold equalizing charge, an engine start.
# Own choice.
_VOLTS_PER_CELL = (-0.5, 3.2)
_SHUNT_OVERLOAD = 1.25
_HIGHEST_RATE_PER_HOUR = 10.0
_AIR_CELSIUS = (-40.0, 80.0)
_AMP_HOURS = (-1e9, 1e9)


def banks(settings: SiteSettings) -> tuple[Bank, ...]:
    """The banks, in the order of the file."""
    return tuple(
        Bank(
            name=bank.name,
            type=bank.type,
            strings=bank.strings,
            blocks_per_string=bank.blocks_per_string,
            cells_per_block=bank.cells_per_block,
            rated_amp_hours=bank.rated_amp_hours,
            rated_hours=bank.rated_hours,
        )
        for bank in settings.banks
    )


def series_of(settings: SiteSettings) -> dict[str, tuple[Series, ...]]:
    """Device name to its series, in the order of the device's channels (which is that of the counts of a scan).

    Raises KeyError for a bank that does not exist, which `load_settings` has excluded.
    """
    by_name = {bank.name: bank for bank in settings.banks}
    return {
        device.name: tuple(_series(device, channel, by_name) for channel in device.channels)
        for device in settings.devices
    }


def series_of_bank(settings: SiteSettings, bank_name: str) -> list[Series]:
    """The series that feed one bank, in the order of the file."""
    by_name = {bank.name: bank for bank in settings.banks}
    return [
        _series(device, channel, by_name)
        for device in settings.devices
        for channel in device.channels
        if (channel.bank or device.bank) == bank_name
    ]


def _series(device: DeviceSettings, channel: ChannelSettings, by_name: dict[str, BankSettings]) -> Series:
    bank = by_name[channel.bank or device.bank or ""]
    return Series(
        device=device.name,
        bank=bank.name,
        channel=channel.parsed,
        place=channel.place,
        resolution=channel.count_size,
        unit=channel.unit,
        scales=tuple(_scale(channel, stage, bank) for stage in channel.in_force()),
    )


def _scale(channel: ChannelSettings, stage: InForce, bank: BankSettings) -> SeriesScale:
    factor, shift = factor_and_shift(stage, channel.count_size)
    shunt_amps = stage.shunt.rated_amps if stage.shunt else None
    low, high = stage.valid or usual_valid(channel.parsed, bank, shunt_amps)
    return SeriesScale(
        since_ms=None if stage.since is None else round(stage.since.timestamp() * 1000),
        factor=factor,
        shift=shift,
        valid=(round(low * FINE_PER_TRADE), round(high * FINE_PER_TRADE)),
        accuracy=_accuracy(stage, abs(factor) / FINE_PER_TRADE),
        because=stage.because,
    )


def factor_and_shift(stage: InForce, count_size: float) -> tuple[float, float]:
    """Factor and shift that turn a count into fine units, each rounded once from the exact value.

    reading = count x count_size x scale + offset, in the unit of the device; less that unit's zero, times its size;
    for a shunt's millivolts times rated amps over rated millivolts; times -1 where discharge is positive.
    """
    unit = UNITS[stage.unit]
    size, zero = unit.factor, unit.zero
    if stage.shunt is not None:
        size = exact(stage.shunt.rated_amps) / exact(stage.shunt.rated_millivolts)
    if stage.sign == "discharge_positive":
        size = -size
    fine: Fraction = size * FINE_PER_TRADE
    return (
        float(fine * exact(count_size) * exact(stage.scale)),
        float(fine * (exact(stage.offset) - zero)),
    )


def usual_valid(channel: Channel, bank: Bank | BankSettings, shunt_amps: float | None = None) -> tuple[float, float]:
    """The valid range of a channel where none is stated, in its trade unit."""
    quantity = channel.quantity
    if quantity is Quantity.VOLTS:
        cells = bank.cells_per_block if channel.number else bank.cells_in_series
        return _VOLTS_PER_CELL[0] * cells, _VOLTS_PER_CELL[1] * cells
    if quantity is Quantity.AMPS:
        highest = _SHUNT_OVERLOAD * shunt_amps if shunt_amps else _HIGHEST_RATE_PER_HOUR * bank.rated_amp_hours
        return -highest, highest
    if quantity is Quantity.CELSIUS:
        # A block that runs away must not look as if its probe was broken.
        return BLOCK_CELSIUS if channel.number else _AIR_CELSIUS
    return _AMP_HOURS


def _accuracy(stage: InForce, resolution: float) -> Accuracy:
    """What is stated, folded into a gain and an offset.

    Percent of range bounds the error over the whole scale: it counts as offset, and no gain error comes on top
    unless one is stated. Percent of reading says nothing of the zero: the offset stays unknown. The range is that of
    the accuracy, of the shunt, or the stated valid range.
    """
    stated = stage.accuracy
    shunt_amps = stage.shunt.rated_amps if stage.shunt else None
    reach = max(abs(stage.valid[0]), abs(stage.valid[1])) if stage.valid else None
    if stated is None:
        return Accuracy(resolution=resolution, range=shunt_amps or reach)
    gain = None if stated.percent_of_reading is None else stated.percent_of_reading / 100
    offset = stated.offset
    if stated.percent_of_range is not None:
        offset = (offset or 0.0) + stated.percent_of_range / 100 * (stated.range or shunt_amps or 0.0)
        gain = gain or 0.0
    return Accuracy(
        gain=gain,
        offset=offset,
        noise=stated.noise,
        resolution=resolution,
        range=stated.range or shunt_amps or reach,
    )
