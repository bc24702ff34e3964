"""What comes with loggerd: examples, device maps, limits."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from loggerd.errors import SettingsError
from loggerd.model.bank import BankType
from loggerd.settings.domain import series_of
from loggerd.settings.limits import Limit, load_limits, read_limits
from loggerd.settings.load import load_settings
from loggerd.settings.model_faults import known_keys
from loggerd.settings.models import BankSettings, ChannelSettings, DeviceSettings, RecordSettings, SiteSettings
from loggerd.settings.schema import site_schema
from loggerd.settings.shipped import shipped_path

CONFIG = shipped_path("limits").parent
EXAMPLES = sorted(CONFIG.glob("*.toml"))
MAPS = sorted((CONFIG / "devices").glob("*.toml"))


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_every_example_is_right(path: Path) -> None:
    settings = load_settings(path)

    assert all(row for row in series_of(settings).values())


def test_the_examples_cover_the_sites_of_the_trade() -> None:
    nominal = {path.name: [2 * bank.cells_in_series for bank in load_settings(path).banks] for path in EXAMPLES}

    assert nominal == {
        "forklift.example.toml": [80],
        "golf-carts.example.toml": [48, 48],
        "inverter.example.toml": [48],
        "site.example.toml": [48],
    }


def test_the_commented_example_explains_the_keys_of_every_site() -> None:
    text = (CONFIG / "site.example.toml").read_text(encoding="utf-8")
    elsewhere = {
        "point",
        "field",
        "resolution",
        "scale_address",
        "lines",
        "time_series",
        "bank",
        "device",
        "correction",
    }

    for table in (SiteSettings, RecordSettings, BankSettings, DeviceSettings, ChannelSettings):
        assert [key for key in known_keys(table) if key not in text and key not in elsewhere] == []


@pytest.mark.parametrize("path", MAPS, ids=lambda path: path.name)
def test_every_map_can_be_used_by_name(tmp_path: Path, path: Path) -> None:
    serial = "[lines]" in path.read_text(encoding="utf-8")
    connection = 'kind = "serial_lines"\nport = "/dev/ttyS0"' if serial else 'kind = "modbus_tcp"\nhost = "10.0.0.1"'
    for name in (path.name, f"devices/{path.name}"):
        (tmp_path / "site.toml").write_text(
            '[site]\nname = "x"\ntimezone = "UTC"\n'
            '[[bank]]\nname = "b"\ntype = "gel"\nstrings = 4\nblocks_per_string = 4\ncells_per_block = 6\n'
            "rated_amp_hours = 100\nrated_hours = 20\n"
            f'[[device]]\nname = "d"\nbank = "b"\nmap = "{name}"\n[device.connection]\n{connection}\n',
            encoding="utf-8",
        )
        assert load_settings(tmp_path / "site.toml").devices[0].channels


@pytest.mark.parametrize("bank_type", BankType)
def test_every_limit_has_a_unit_and_a_source(bank_type: BankType) -> None:
    limits = load_limits(bank_type)

    assert {name: limit.name for name, limit in limits.items()} == {name: name for name in limits}
    assert all(len(limit.source) > 15 and limit.unit for limit in limits.values())
    assert set(limits) == set(load_limits(BankType.AGM))


@pytest.mark.parametrize("bank_type", BankType)
def test_limits_stand_in_their_natural_order(bank_type: BankType) -> None:
    limits = {name: limit.value for name, limit in load_limits(bank_type).items()}

    # A resting full cell has about 2.1 V; equalizing is below 2.7 V.
    assert 2.10 < limits["float_volts_per_cell"] < limits["full_volts_per_cell"]
    assert limits["full_volts_per_cell"] < limits["absorption_volts_per_cell"] < 2.7
    assert 1.6 < limits["end_volts_per_cell"] < 1.9
    assert 1 < limits["charge_factor_low"] < limits["charge_factor_high"] < 1.3
    # Published slopes: 3 to 5 mV for each cell and degree, less when warmer.
    assert -0.0051 < limits["temperature_slope"] < -0.0029


def test_a_published_set_point_comes_back_for_a_whole_bank() -> None:
    # Data sheet of a 6 V flooded deep-cycle block: absorption 59.2 V, float 52.8 V for 48 V, at 25 °C.
    limits = load_limits(BankType.FLOODED_ANTIMONY)

    assert 24 * limits["absorption_volts_per_cell"].value == pytest.approx(59.2, abs=0.05)
    assert 24 * limits["float_volts_per_cell"].value == pytest.approx(52.8, abs=0.05)


@pytest.mark.parametrize("text", ["[a]\nvalue = 1\n", '[a]\nvalue = "x"\nunit = "V"\nsource = "s"\n', "a = 1\n"])
def test_damaged_limits_are_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "gel.toml"
    path.write_text(text, encoding="utf-8")

    with pytest.raises(SettingsError, match=r"gel\.toml, line [12], a"):
        read_limits(path)


def test_a_limit_says_everything_about_itself() -> None:
    slope = load_limits(BankType.GEL)["temperature_slope"]

    assert slope == Limit(
        "temperature_slope",
        -0.005,
        "V per cell and K",
        "user's guide for deep-cycle blocks: 5 mV per cell and °C, from 25 °C",
    )


@pytest.mark.parametrize("relative", ["none.toml", "", "../pyproject.toml", "/etc/passwd", "devices/../../README.md"])
def test_nothing_but_what_is_shipped_is_found(relative: str) -> None:
    with pytest.raises(FileNotFoundError):
        shipped_path(relative)


def test_the_schema_names_every_key_with_its_description() -> None:
    schema = site_schema()

    json.dumps(schema)
    assert schema["required"] == ["site", "bank"]
    assert set(schema["properties"]) == {
        "site",
        "record",
        "bank",
        "device",
        "time_series",
        "mail",
        "keeper",
        "webhook",
        "heartbeat",
        "web",
    }
    tables = {name: table for name, table in schema["$defs"].items() if "properties" in table}
    assert {"ChannelSettings", "ModbusRtu", "CsvFile", "TimeSeriesSettings"} <= set(tables)
    for name, table in tables.items():
        assert table["additionalProperties"] is False, name
        for key, entry in table["properties"].items():
            assert entry.get("description"), f"{name}.{key}"
