"""Limits: what the presets say against published values, and limits of a bank's own."""

from __future__ import annotations

import math
import shutil
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import pytest

from loggerd.analysis.limit_table import LimitTable
from loggerd.errors import SettingsError
from loggerd.model.bank import BankType
from loggerd.plans import ledger_fingerprint, limits_of, plan_of, rules_of
from loggerd.settings.checks.limits import plausible
from loggerd.settings.fingerprint import bank_settings_json
from loggerd.settings.limits import LEDGER_LIMITS, limit_names, load_limits
from loggerd.settings.load import load_settings
from loggerd.settings.site import SiteSettings

FARADAY = 96485.332  # C/mol
GAS_CONSTANT = 8.314462618
SITE = """\
[site]
name = "Hut"
timezone = "UTC"
[[bank]]
name = "house"
type = "agm"
strings = 1
blocks_per_string = 4
cells_per_block = 6
rated_amp_hours = 200
rated_hours = 20
"""
SINCE_MS = 1_777_593_600_000  # 2026-05-01T00:00:00Z


def values(bank_type: BankType) -> dict[str, float]:
    return {name: limit.value for name, limit in load_limits(bank_type).items()}


def limit(name: str, value: float | str, since: str = "", source: str = "data sheet") -> str:
    dated = f"since = {since}\n" if since else ""
    return f'[[bank.limit]]\nname = "{name}"\nvalue = {value}\nsource = "{source}"\n{dated}'


def load(folder: Path, *more: str) -> SiteSettings:
    (folder / "site.toml").write_text(SITE + "".join(more), encoding="utf-8")
    return load_settings(folder / "site.toml")


def refusals(folder: Path, *more: str) -> list[str]:
    with pytest.raises(SettingsError) as caught:
        load(folder, *more)
    return [str(fault).replace(f"{folder}/", "") for fault in caught.value.faults]


# The presets


def test_every_type_has_the_same_limits_in_the_same_units() -> None:
    units = [{name: limit.unit for name, limit in load_limits(bank_type).items()} for bank_type in BankType]

    assert units == [units[0]] * len(BankType)
    assert tuple(units[0]) == limit_names()
    assert set(units[0]) >= LEDGER_LIMITS


@pytest.mark.parametrize("bank_type", BankType)
def test_every_preset_is_a_number_that_the_settings_would_take(bank_type: BankType) -> None:
    for one in load_limits(bank_type).values():
        assert math.isfinite(one.value)
        low, high = plausible(one.name, one.unit) or (-1e6, 1e6)
        assert low <= one.value <= high, one.name


@pytest.mark.parametrize("bank_type", BankType)
def test_every_preset_says_what_it_decides_in_a_comment_above(bank_type: BankType) -> None:
    folder = Path(__file__).parents[2] / "config" / "limits"
    lines = (folder / f"{bank_type.value}.toml").read_text(encoding="utf-8").splitlines()

    bare = [line for above, line in pairwise(lines) if line[:1] == "[" and above[:2] != "# "]

    assert bare == []


@pytest.mark.parametrize(
    ("name", "block_volts"),
    # Trade table for 12 V flooded blocks.
    [
        ("rest_volts_full", 12.65),
        ("rest_volts_75", 12.45),
        ("rest_volts_50", 12.24),
        ("rest_volts_25", 12.06),
        ("rest_volts_flat", 11.89),
    ],
)
def test_flooded_rested_voltages_are_those_of_the_trade_table(name: str, block_volts: float) -> None:
    assert 6 * values(BankType.FLOODED_ANTIMONY)[name] == pytest.approx(block_volts, abs=0.001)


def bode_volts(molality: float) -> float:
    """Bode's polynomial for the equilibrium voltage of a cell [V]; acid in mol per kg of water."""
    log = math.log10(molality)
    return 1.922 + 0.148 * log + 0.063 * log**2 + 0.074 * log**3 + 0.034 * log**4


def test_flooded_rested_voltages_agree_with_electrochemistry() -> None:
    # Molality at specific gravities 1.265, 1.225, 1.190, 1.155, 1.120.
    limits = values(BankType.FLOODED_ANTIMONY)
    names = ("rest_volts_full", "rest_volts_75", "rest_volts_50", "rest_volts_25", "rest_volts_flat")

    for name, molality in zip(names, (5.57, 4.48, 3.62, 2.83, 2.11), strict=True):
        assert limits[name] == pytest.approx(bode_volts(molality), abs=0.004)


@pytest.mark.parametrize("bank_type", BankType)
def test_rested_voltages_fall_with_the_charge_and_lie_below_float(bank_type: BankType) -> None:
    limits = values(bank_type)
    rested = [limits[f"rest_volts_{share}"] for share in ("full", "75", "50", "25", "flat")]

    assert rested == sorted(rested, reverse=True)
    # Field banks: 1.3 to 2 mV per cell for each percent, from memory.
    assert all(0.025 < high - low < 0.055 for high, low in pairwise(rested))
    assert rested[0] < limits["float_volts_per_cell"]


@pytest.mark.parametrize("bank_type", [BankType.AGM, BankType.GEL])
def test_a_full_sealed_cell_has_the_voltage_of_its_acid(bank_type: BankType) -> None:
    # Specific gravity 1.29 to 1.30: 2.133 to 2.143 V by Bode's polynomial.
    assert 2.133 <= values(bank_type)["rest_volts_full"] <= 2.143


@pytest.mark.parametrize(
    ("name", "block_volts", "cells"),
    # Data sheet of a 6 V flooded deep-cycle block, and what it says for 48 V.
    [
        ("absorption_volts_per_cell", 7.40, 3),
        ("float_volts_per_cell", 6.60, 3),
        ("equalize_volts_per_cell", 7.75, 3),
        ("equalize_volts_per_cell", 62.0, 24),
    ],
)
def test_charging_voltages_are_those_of_the_data_sheet(name: str, block_volts: float, cells: int) -> None:
    assert values(BankType.FLOODED_ANTIMONY)[name] == pytest.approx(block_volts / cells, abs=0.0005)


@pytest.mark.parametrize("bank_type", BankType)
def test_water_and_hydrogen_follow_faradays_law(bank_type: BankType) -> None:
    limits = values(bank_type)
    moles = 3600 / (2 * FARADAY)  # of water, and of hydrogen, for each amp-hour

    assert moles * 18.015 == pytest.approx(0.3361, abs=1e-4)
    assert limits["water_grams_per_amp_hour"] == pytest.approx(moles * 18.015, rel=1e-3)
    litres = moles * GAS_CONSTANT * 298.15 / 101_325 * 1000
    assert limits["hydrogen_litres_per_amp_hour"] == pytest.approx(litres, rel=2e-3)


@pytest.mark.parametrize(
    ("bank_type", "gas", "cells", "amp_hours", "cubic_metres", "square_centimetres"),
    # Published examples of EN 50272-2.
    [
        (BankType.FLOODED_ANTIMONY, "gas_milliamps_float", 24, 200, 1.20, 33.6),
        (BankType.FLOODED_ANTIMONY, "gas_milliamps_boost", 24, 200, 4.80, 134.4),
        (BankType.AGM, "gas_milliamps_boost", 24, 200, 1.92, None),
        (BankType.GEL, "gas_milliamps_float", 24, 100, 0.12, 3.36),
        (BankType.AGM, "gas_milliamps_float", 108, 100, 0.540, 15.1),
    ],
)
def test_ventilation_of_published_examples(
    bank_type: BankType,
    gas: str,
    cells: int,
    amp_hours: float,
    cubic_metres: float,
    square_centimetres: float | None,
) -> None:
    limits = values(bank_type)
    flow = limits["ventilation_constant"] * cells * limits[gas] * amp_hours / 1000

    assert flow == pytest.approx(cubic_metres)
    if square_centimetres is not None:
        opening = limits["ventilation_opening_square_centimetres"] * flow
        assert opening == pytest.approx(square_centimetres, abs=0.05)


@pytest.mark.parametrize(
    ("gas", "cubic_metres"),
    # ZVEI leaflet: 80 V, 625 Ah, vented.
    [("traction_gas_amps_unlimited", 82.5), ("traction_gas_amps_limited", 27.5)],
)
def test_ventilation_of_a_published_traction_battery(gas: str, cubic_metres: float) -> None:
    limits = values(BankType.FLOODED_ANTIMONY)

    flow = limits["traction_ventilation_constant"] * 40 * limits[gas] * 625 / 100

    assert flow == pytest.approx(cubic_metres)


@pytest.mark.parametrize("bank_type", BankType)
def test_limits_that_belong_together_stand_in_order(bank_type: BankType) -> None:
    limits = values(bank_type)

    assert limits["rest_hours_least"] < limits["rest_hours_fair"] < limits["rest_hours_settled"]
    assert limits["capacity_low_fraction"] < limits["capacity_watch_fraction"] < 1
    assert limits["full_tail_flat_per_hour"] < limits["full_flat_likely_per_hour"]
    assert limits["full_tail_likely_fraction"] < limits["full_tail_proven_fraction"]
    assert limits["ohms_watch_fraction"] < limits["ohms_act_fraction"]
    assert limits["charge_factor_high"] < limits["overcharge_factor"]
    assert limits["temperature_slope_high"] <= limits["temperature_slope"] <= limits["temperature_slope_low"] < 0
    assert limits["charge_celsius_resume"] < limits["charge_celsius_high"] <= limits["celsius_no_charge"]
    assert limits["hydrogen_limit_percent"] < limits["hydrogen_explosive_percent"]
    freezing = [limits[f"freezing_celsius_{share}"] for share in ("full", "75", "50", "25", "discharged")]
    assert freezing == sorted(freezing)


def test_where_sources_disagree_the_limit_says_so() -> None:
    names = (
        "specific_gravity_spread",
        "specific_gravity_celsius",
        "rest_hours_settled",
        "charge_celsius_high",
        "equalize_days",
        "safe_volts",
        "ventilation_constant",
        "rating_celsius",
    )

    limits = load_limits(BankType.FLOODED_ANTIMONY)
    assert [name for name in names if "sources disagree" not in limits[name].source] == []


# Limits of a bank's own


def test_without_limits_of_its_own_a_bank_has_those_of_its_type(tmp_path: Path) -> None:
    (table,) = load(tmp_path).banks

    assert limits_of(table) == LimitTable((), (values(BankType.AGM),))


def test_a_limit_without_a_date_holds_from_the_beginning(tmp_path: Path) -> None:
    (table,) = load(tmp_path, limit("float_volts_per_cell", 2.25)).banks

    assert limits_of(table) == LimitTable((), ({**values(BankType.AGM), "float_volts_per_cell": 2.25},))


def test_a_limit_with_a_date_replaces_the_preset_from_then_on(tmp_path: Path) -> None:
    (table,) = load(tmp_path, limit("float_volts_per_cell", 2.25, "2026-05-01T02:00:00+02:00")).banks
    limits = limits_of(table)

    assert limits.at(SINCE_MS - 1)["float_volts_per_cell"] == 2.27
    assert limits.at(SINCE_MS)["float_volts_per_cell"] == 2.25
    assert limits.at(SINCE_MS)["absorption_volts_per_cell"] == 2.4


def test_several_dates_of_one_limit(tmp_path: Path) -> None:
    (table,) = load(
        tmp_path,
        limit("rest_hours_settled", 10),
        limit("float_volts_per_cell", 2.25),
        limit("rest_hours_settled", 12, "2026-05-01T00:00:00Z"),
        limit("rest_hours_settled", 24, "2026-06-01T00:00:00Z"),
    ).banks
    limits = limits_of(table)

    assert [stage["rest_hours_settled"] for stage in limits.stages] == [10, 12, 24]
    assert [stage["float_volts_per_cell"] for stage in limits.stages] == [2.25] * 3


def test_what_the_ledger_takes_of_the_limits_can_be_set(tmp_path: Path) -> None:
    more = (limit("full_tail_current_fraction", 0.01), limit("full_volts_per_cell", 2.31))
    (table,) = load(tmp_path, *more).banks

    assert (rules_of(table).full_tail, rules_of(table).full_volts_per_cell) == (0.01, 2.31)


def test_the_plan_of_a_bank_has_its_limits(tmp_path: Path) -> None:
    settings = load(tmp_path, limit("rest_hours_settled", 10))

    assert plan_of(settings, "house", [], [], []).limits == limits_of(settings.banks[0])


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (
            [limit("rest_hours_setled", 8)],
            ['line 13, [[bank]] "house" limit "rest_hours_setled"', "rest_hours_settled"],
        ),
        ([limit("cows", 8)], ["line 13", '"cows"', "loggerd limits"]),
        ([limit("safe_volts", "nan")], ["line 14", '"safe_volts" key "value"']),
        ([limit("safe_volts", "inf")], ["line 14", "value"]),
        ([limit("safe_volts", "true")], ["line 14", "value"]),
        ([limit("safe_volts", 50, source="")], ["line 15", "source", "where the value comes from"]),
        ([limit("safe_volts", 50, "2026-05-01")], ["line 16", "since", "with its time zone"]),
        ([limit("safe_volts", 50, "1926-05-01T00:00:00Z")], ["line 16", "1980"]),
        # millivolts for volts, percent for a share
        ([limit("float_volts_per_cell", 2250)], ["line 14", "0 to 3", "V per cell"]),
        ([limit("temperature_slope", -5)], ["line 14", "-0.02", "V per cell and K"]),
        ([limit("capacity_low_fraction", 80)], ["line 14", "0 to 1"]),
        ([limit("freezing_celsius_full", -200)], ["line 14", "-80"]),
        # twice
        ([limit("safe_volts", 50), limit("safe_volts", 100)], ["line 16", "second time", "line 12"]),
        (
            [limit("safe_volts", 50, "2026-05-01T00:00:00Z"), limit("safe_volts", 100, "2026-05-01T00:00:00Z")],
            ["line 21", "later than", "line 16"],
        ),
        ([limit("safe_volts", 50, "2026-05-01T00:00:00Z"), limit("safe_volts", 100)], ["line 17", "second time"]),
        ([limit("full_volts_per_cell", 2.3, "2026-05-01T00:00:00Z")], ["line 16", "one value for all readings"]),
    ],
)
def test_limits_that_cannot_be_are_refused(tmp_path: Path, more: list[str], words: list[str]) -> None:
    (fault,) = refusals(tmp_path, *more)

    assert [word for word in words if word not in fault] == []


def test_faults_of_limits_are_told_together_also_beside_a_faulty_bank(tmp_path: Path) -> None:
    more = limit("rest_hours_setled", "nan", source="") + limit("safe_volts", 50) + limit("safe_volts", 60)
    (tmp_path / "site.toml").write_text(SITE.replace("strings = 1", "strings = 0") + more, encoding="utf-8")

    with pytest.raises(SettingsError) as caught:
        load_settings(tmp_path / "site.toml")

    lines = [int(fault.where.split("line ")[1].split(",")[0]) for fault in caught.value.faults]
    assert lines == [7, 13, 14, 15, 20]


# What depends on them


def test_the_fingerprint_of_the_ledger_depends_on_values_and_dates_of_limits(tmp_path: Path) -> None:
    prints = [
        ledger_fingerprint(load(tmp_path, *more), "house", [])[0]
        for more in (
            [],
            [limit("safe_volts", 50)],
            [limit("safe_volts", 51)],
            [limit("hydrogen_limit_percent", 2)],
            [limit("safe_volts", 50, "2026-05-01T00:00:00Z")],
            [limit("safe_volts", 50, "2026-05-02T00:00:00Z")],
        )
    ]

    assert len(set(prints)) == len(prints)


def test_the_fingerprint_of_the_ledger_does_not_depend_on_sources_and_order(tmp_path: Path) -> None:
    one, other = limit("safe_volts", 50), limit("hydrogen_limit_percent", 2)
    same = [[one, other], [other, one], [one, limit("hydrogen_limit_percent", 2, source="the local code")]]

    assert len({ledger_fingerprint(load(tmp_path, *more), "house", [])[0] for more in same}) == 1
    assert len({bank_settings_json(load(tmp_path, *more), "house") for more in same}) == 1


def test_limits_of_one_bank_leave_others_alone(tmp_path: Path) -> None:
    second = SITE[SITE.index("[[bank]]") :].replace("house", "spare")
    plain, with_limit = load(tmp_path, second), load(tmp_path, limit("safe_volts", 50), second)

    assert ledger_fingerprint(plain, "spare", []) == ledger_fingerprint(with_limit, "spare", [])
    assert ledger_fingerprint(plain, "house", []) != ledger_fingerprint(with_limit, "house", [])


PRINT = """
from pathlib import Path
from loggerd.plans import ledger_fingerprint
from loggerd.settings.load import load_settings
print(ledger_fingerprint(load_settings(Path("site.toml")), "house", [])[0])
"""


def test_the_fingerprint_of_the_ledger_depends_on_the_values_of_presets_and_not_on_their_sources(
    tmp_path: Path,
) -> None:
    root = Path(__file__).parents[2]
    for name in ("loggerd", "config"):
        shutil.copytree(root / name, tmp_path / name, ignore=shutil.ignore_patterns("__pycache__"))
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    preset = tmp_path / "config" / "limits" / "agm.toml"
    original = preset.read_text(encoding="utf-8")

    def printed(text: str) -> str:
        preset.write_text(text, encoding="utf-8")
        command = [sys.executable, "-c", PRINT]
        return subprocess.run(command, cwd=tmp_path, check=True, capture_output=True, text=True, timeout=60).stdout

    now = printed(original)
    assert printed(original.replace("no source", "no source known")) == now
    assert printed(original.replace("value = 60.0", "value = 61.0")) != now
    assert now.strip() == ledger_fingerprint(load_settings(tmp_path / "site.toml"), "house", [])[0]
