"""Names of channels."""

from __future__ import annotations

import pytest

from loggerd.model.channels import Quantity, parse_channel


@pytest.mark.parametrize(
    ("name", "quantity", "number", "unit"),
    [
        ("volts", Quantity.VOLTS, 0, "mV"),
        ("amps", Quantity.AMPS, 0, "mA"),
        ("mean_amps", Quantity.AMPS, 0, "mA"),
        ("ambient_celsius", Quantity.CELSIUS, 0, "m°C"),
        ("net_amp_hours", Quantity.AMP_HOURS, 0, "mAh"),
        ("charged_amp_hours", Quantity.AMP_HOURS, 0, "mAh"),
        ("discharged_amp_hours", Quantity.AMP_HOURS, 0, "mAh"),
        ("string_1_amps", Quantity.AMPS, 1, "mA"),
        ("block_24_volts", Quantity.VOLTS, 24, "mV"),
        ("block_999_celsius", Quantity.CELSIUS, 999, "m°C"),
    ],
)
def test_names_that_exist(name: str, quantity: Quantity, number: int, unit: str) -> None:
    channel = parse_channel(name)
    assert (channel.name, channel.quantity, channel.number) == (name, quantity, number)
    assert channel.quantity.fine_unit == unit
    assert str(channel) == name


@pytest.mark.parametrize(
    "name",
    [
        "",
        "volt",
        "Volts",
        "block_0_volts",
        "block_01_volts",
        "block_1000_volts",
        "block_1_amps",
        "string_1_volts",
        "string_1_celsius",
        "block_1_volts ",
        "block_1_volts\n",
        "xblock_1_volts",
        "block_-1_volts",
        "block_１_volts",
    ],
)
def test_any_other_name_is_refused_with_those_that_exist(name: str) -> None:
    with pytest.raises(ValueError, match="block_N_volts or block_N_celsius"):
        parse_channel(name)
