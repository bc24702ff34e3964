"""From settings to fine units: every expected number is worked out by hand beside it."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from loggerd.analysis.frames import COLDEST_CELSIUS, HOTTEST_CELSIUS
from loggerd.decoding.scaling import to_fine
from loggerd.model.bank import Accuracy, Bank, BankType, Series
from loggerd.settings.domain import banks, series_of
from loggerd.settings.fingerprint import bank_fingerprint, bank_settings_json
from loggerd.settings.models import SiteSettings

BANK = {
    "name": "house",
    "type": "flooded_antimony",
    "strings": 2,
    "blocks_per_string": 8,
    "cells_per_block": 3,
    "rated_amp_hours": 450,
    "rated_hours": 20,
}


def site(
    *channels: dict[str, Any], bank: dict[str, Any] | None = None, device: dict[str, Any] | None = None
) -> SiteSettings:
    connection = {"kind": "modbus_tcp", "host": "127.0.0.1"}
    own = {"name": "one", "bank": "house", "connection": connection, "channel": list(channels), **(device or {})}
    return SiteSettings.model_validate(
        {
            "site": {"name": "Hut", "timezone": "UTC"},
            "bank": [{**BANK, **(bank or {})}, {**BANK, "name": "spare"}],
            "device": [own],
        }
    )


def channel(name: str, unit: str, **more: Any) -> dict[str, Any]:
    return {"channel": name, "table": "holding", "address": 0, "type": "int16", "unit": unit, **more}


def series(name: str, unit: str, **more: Any) -> Series:
    (only,) = series_of(site(channel(name, unit, **more)))["one"]
    return only


def fine(of: Series, *counts: int, at_ms: int = 0) -> list[int]:
    times = np.full(len(counts), at_ms, dtype=np.int64)
    return to_fine(np.array(counts, dtype=np.int64), times, of.scales).tolist()


def test_banks_are_as_in_the_file() -> None:
    house, spare = banks(site(channel("amps", "A")))

    assert house == Bank("house", BankType.FLOODED_ANTIMONY, 2, 8, 3, 450.0, 20.0)
    assert house.nominal_volts == 48.0
    assert spare.name == "spare"


def test_a_shunt_turns_millivolts_into_amps() -> None:
    # 1.00 mV of a 500 A / 50 mV shunt is 10 A; 7.5 mV of a 100 A / 75 mV one is 10 A, too.
    shunt_50 = series("amps", "mV", scale=0.01, shunt={"rated_amps": 500, "rated_millivolts": 50})
    shunt_75 = series("amps", "mV", scale=0.01, shunt={"rated_amps": 100, "rated_millivolts": 75})

    assert fine(shunt_50, 100, -100, 1) == [10_000, -10_000, 100]
    assert fine(shunt_75, 750) == [10_000]
    assert shunt_50.scales[0].factor == 100.0
    assert shunt_50.scales[0].shift == 0.0


def test_a_shunt_of_75_millivolts_taken_for_one_of_50_reads_half_as_much_again() -> None:
    changed = series(
        "amps",
        "mV",
        scale=0.01,
        shunt={"rated_amps": 500, "rated_millivolts": 50},
        correction=[
            {
                "since": datetime(2026, 5, 1, tzinfo=UTC),
                "shunt": {"rated_amps": 500, "rated_millivolts": 75},
                "because": "the shunt is a 75 mV type",
            }
        ],
    )
    since_ms = 1_777_593_600_000  # 2026-05-01T00:00:00Z

    assert [scale.since_ms for scale in changed.scales] == [None, since_ms]
    assert changed.scales[1].because == "the shunt is a 75 mV type"
    assert fine(changed, 150, at_ms=since_ms - 1) == [15_000]
    assert fine(changed, 150, at_ms=since_ms) == [10_000]


def test_discharge_positive_turns_the_sign_of_everything_that_is_added_as_well() -> None:
    reversed_ = series("amps", "A", scale=0.1, offset=0.5, sign="discharge_positive")

    # raw 120 x 0.1 + 0.5 = 12.5 A of discharge
    assert fine(reversed_, 120) == [-12_500]


@pytest.mark.parametrize(
    ("unit", "scale", "count", "expected"),
    [
        ("°C", 0.1, 235, 23_500),
        ("C", 0.1, -55, -5_500),
        ("°F", 0.1, 320, 0),  # 32.0 °F
        ("F", 0.1, 770, 25_000),  # 77.0 °F
        ("°F", 0.1, -400, -40_000),
        ("F", 1.0, 100, 37_778),  # 37.777... °C
        ("K", 0.01, 29815, 25_000),  # 298.15 K
    ],
)
def test_temperatures_become_thousandths_of_a_degree_celsius(
    unit: str, scale: float, count: int, expected: int
) -> None:
    assert fine(series("ambient_celsius", unit, scale=scale), count) == [expected]


@pytest.mark.parametrize(
    ("name", "unit", "more", "count", "expected"),
    [
        ("volts", "V", {"scale": 0.01}, 5230, 52_300),
        ("volts", "mV", {}, 52300, 52_300),
        ("volts", "V", {"scale": 0.01, "offset": -1}, 5230, 51_300),
        ("amps", "mA", {}, 1234, 1_234),
        ("amps", "A", {}, -7, -7_000),
        ("net_amp_hours", "Ah", {"scale": 0.1}, -123, -12_300),
        ("charged_amp_hours", "mAh", {"scale": 10}, 5, 50),
        # A scale register: the source records value / resolution, so one count is 0.05 A.
        ("amps", "A", {"scale_address": 9, "resolution": 0.05}, 30, 1_500),
        ("amps", "A", {"type": "float32", "resolution": 0.002, "scale": 10}, 3, 60),
        ("amps", "A", {"type": "float32"}, 3, 3),
    ],
)
def test_units_scales_and_resolutions(name: str, unit: str, more: dict[str, Any], count: int, expected: int) -> None:
    assert fine(series(name, unit, **more), count) == [expected]


def test_factors_are_those_of_the_decimals_in_the_file() -> None:
    # In floats, 0.1 x 3 x 1000 is 300.00000000000006.
    assert series("amps", "A", type="float32", resolution=0.3, scale=0.1).scales[0].factor == 30.0
    assert series("volts", "V", scale=0.07).scales[0].factor == 70.0


def test_corrections_build_on_each_other() -> None:
    both = series(
        "amps",
        "A",
        scale=0.1,
        correction=[
            {"since": datetime(2026, 1, 1, tzinfo=UTC), "offset": 1.0},
            {"since": datetime(2026, 2, 1, tzinfo=UTC), "sign": "discharge_positive", "unit": "mA"},
        ],
    )

    assert [(scale.factor, scale.shift) for scale in both.scales] == [(100.0, 0.0), (100.0, 1000.0), (-0.1, -1.0)]


@pytest.mark.parametrize(
    ("stated", "gain", "offset", "noise"),
    [
        (None, None, None, None),
        ({}, None, None, None),
        ({"noise": 0.05}, None, None, 0.05),
        # Percent of reading says nothing of the zero.
        ({"percent_of_reading": 0.5}, 0.005, None, None),
        ({"offset": 0.1}, None, 0.1, None),
        # A class of 0.5 on 500 A is 2.5 A anywhere on the scale, and nothing on top.
        ({"percent_of_range": 0.5, "range": 500}, 0.0, 2.5, None),
        ({"percent_of_range": 0.5, "range": 500, "offset": 0.25, "percent_of_reading": 1}, 0.01, 2.75, None),
        ({"percent_of_range": 0.5}, 0.0, 2.0, None),  # of the shunt's 400 A
    ],
)
def test_accuracy_is_folded_into_gain_and_offset(
    stated: dict[str, float] | None, gain: float | None, offset: float | None, noise: float | None
) -> None:
    more: dict[str, Any] = {"scale": 0.01, "shunt": {"rated_amps": 400, "rated_millivolts": 50}}
    if stated is not None:
        more["accuracy"] = stated

    # One count is 0.01 mV, and 1 mV is 8 A. The range is the stated one, else that of the shunt.
    reach = 500.0 if stated and "range" in stated else 400.0
    assert series("amps", "mV", **more).scales[0].accuracy == Accuracy(gain, offset, noise, 0.08, reach)


def test_valid_ranges_stated_and_not_stated() -> None:
    assert series("amps", "A", valid=[-600, 600]).scales[0].valid == (-600_000, 600_000)
    # 24 cells from -0.5 to 3.2 V; a block of three.
    assert series("volts", "V").scales[0].valid == (-12_000, 76_800)
    assert series("block_16_volts", "V").scales[0].valid == (-1_500, 9_600)
    # A quarter more than the shunt's rating; else ten times the amp-hours.
    shunt = {"rated_amps": 500, "rated_millivolts": 50}
    assert series("amps", "mV", shunt=shunt).scales[0].valid == (-625_000, 625_000)
    assert series("amps", "A").scales[0].valid == (-4_500_000, 4_500_000)
    assert series("ambient_celsius", "K").scales[0].valid == (-40_000, 80_000)
    # What findings believe of a block that boils must not be out of range before.
    assert series("block_3_celsius", "K").scales[0].valid == (1000 * COLDEST_CELSIUS, 1000 * HOTTEST_CELSIUS)


def test_series_stand_in_the_order_of_the_channels_with_their_places() -> None:
    settings = site(
        channel("amps", "A", address=7, type="int32", order="CDAB", scale_address=9),
        channel("volts", "V", bank="spare"),
        {"channel": "ambient_celsius", "table": "discrete", "address": 3, "unit": "C"},
    )

    row = series_of(settings)["one"]

    assert [entry.place for entry in row] == ["holding 7 int32 CDAB scale 9", "holding 0 int16", "discrete 3"]
    assert [entry.bank for entry in row] == ["house", "spare", "house"]
    assert [entry.resolution for entry in row] == [0.001, 1.0, 1.0]


def test_no_value_counts_are_those_of_the_type() -> None:
    settings = site(
        channel("amps", "A", not_a_value=[32768, -1, 5]),
        channel("volts", "V", type="uint16", not_a_value=[65535]),
        channel("net_amp_hours", "Ah", type="int32", not_a_value=[2**31]),
    )

    read = [entry.no_value_counts for entry in settings.devices[0].channels]

    assert read == [(-32768, -1, 5), (65535,), (-(2**31),)]


AMPS = channel("amps", "A", scale=0.1)
VOLTS = channel("volts", "V", address=1)


def test_the_fingerprint_changes_with_what_changes_the_ledger() -> None:
    original = bank_fingerprint(site(AMPS, VOLTS), "house")
    correction = {"since": datetime(2026, 1, 1, tzinfo=UTC), "offset": 1.0}

    others = [
        site({**AMPS, "scale": 0.2}, VOLTS),
        site({**AMPS, "sign": "discharge_positive"}, VOLTS),
        site({**AMPS, "valid": [-1, 1]}, VOLTS),
        site({**AMPS, "accuracy": {"offset": 0.1}}, VOLTS),
        site({**AMPS, "correction": [correction]}, VOLTS),
        site({**AMPS, "address": 5}, VOLTS),
        site(AMPS),
        site(AMPS, VOLTS, bank={"rated_amp_hours": 451}),
        site(AMPS, VOLTS, bank={"type": "gel"}),
        site(AMPS, VOLTS, bank={"minimum_swing": 0.05}),
        site(AMPS, VOLTS, bank={"dwell_seconds": 30}),
        site(AMPS, VOLTS, device={"name": "other"}),
    ]

    assert len({original, *(bank_fingerprint(other, "house") for other in others)}) == 1 + len(others)


def test_the_fingerprint_stays_with_what_changes_no_figure() -> None:
    correction = {"since": datetime(2026, 1, 1, tzinfo=UTC), "offset": 1.0}
    original = site({**AMPS, "correction": [correction]}, VOLTS)
    same = [
        site(VOLTS, {**AMPS, "correction": [{**correction, "because": "a reason"}]}),
        site(
            {**AMPS, "correction": [correction]},
            VOLTS,
            device={"poll_seconds": 5, "connection": {"kind": "modbus_tcp", "host": "10.0.0.9"}},
        ),
        site({**AMPS, "correction": [correction]}, VOLTS, bank={"rated_volts": 48.0}),
    ]

    assert {bank_fingerprint(other, "house") for other in same} == {bank_fingerprint(original, "house")}
    assert bank_fingerprint(original, "house") != bank_fingerprint(original, "spare")
    assert len(bank_fingerprint(original, "house")) == 64
    assert '"rated_amp_hours":450.0' in bank_settings_json(original, "house")
    with pytest.raises(KeyError):
        bank_fingerprint(original, "none")


def test_the_fingerprint_is_the_same_on_every_run() -> None:
    # Worked out once by this code: a change of it makes every ledger in the field stale, which must be on purpose.
    expected = "bad9dfd838de850a4f43758347c606940624cd5d376367fe4ffe9ca9e7cfeda8"

    assert bank_fingerprint(site(AMPS, VOLTS), "house") == expected
