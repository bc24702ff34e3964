"""Published figures for hydrogen, water, air and ageing, recomputed by the formulas of the topic of heat."""

from __future__ import annotations

import math

import pytest

from loggerd.analysis.findings.heat_formulas import (
    ageing_rate,
    air_flow,
    critical_amps,
    float_heat_watts,
    life_years,
    opening_square_centimetres,
    safe_distance_millimetres,
    traction_air_flow,
    water_grams,
)
from loggerd.model.bank import BankType
from loggerd.settings.limits import load_limits

FLOODED = {name: limit.value for name, limit in load_limits(BankType.FLOODED_ANTIMONY).items()}
SEALED = {name: limit.value for name, limit in load_limits(BankType.AGM).items()}


def test_ten_amp_hours_of_overcharge_in_24_cells() -> None:
    """Faraday's law: 80.66 g of water, 109.54 L of hydrogen at 25 °C."""
    per_cell = water_grams(FLOODED["water_grams_per_amp_hour"], 10.0, FLOODED["recombination"])
    assert 24 * per_cell == pytest.approx(80.66, rel=5e-4)
    assert 240 * FLOODED["hydrogen_litres_per_amp_hour"] == pytest.approx(109.54, rel=2e-3)
    faraday, molar_mass = 96485.332, 18.01528
    assert FLOODED["water_grams_per_amp_hour"] == pytest.approx(3600 / faraday / 2 * molar_mass, rel=5e-4)


@pytest.mark.parametrize(
    ("limits", "which", "rated", "flow", "opening"),
    [
        (FLOODED, "gas_milliamps_float", 200.0, 1.20, 33.6),
        (FLOODED, "gas_milliamps_boost", 200.0, 4.80, 134.4),
        (SEALED, "gas_milliamps_boost", 200.0, 1.92, 53.76),
        (SEALED, "gas_milliamps_float", 100.0, 0.12, 3.36),
    ],
)
def test_air_for_24_stationary_cells(
    limits: dict[str, float], which: str, rated: float, flow: float, opening: float
) -> None:
    """EN 50272-2 / IEC 62485-2 by worked examples of secondary sources."""
    found = air_flow(limits["ventilation_constant"], 24, limits[which], rated)
    assert found == pytest.approx(flow)
    square = opening_square_centimetres(limits["ventilation_opening_square_centimetres"], found)
    assert square == pytest.approx(opening)


def test_air_for_a_central_battery_of_108_cells() -> None:
    """Worked example: 18 blocks of 12 V, 100 Ah, 1 mA/Ah."""
    flow = air_flow(0.05, 108, 1.0, 100.0)
    assert flow == pytest.approx(0.540)
    assert opening_square_centimetres(28.0, flow) == pytest.approx(15.12)


@pytest.mark.parametrize(
    ("constant", "gas", "flow", "opening"),
    [(0.05, 6.0, 75.0, 2100.0), (0.055, 6.0, 82.5, 2310.0), (0.05, 2.0, 25.0, 700.0), (0.055, 2.0, 27.5, 770.0)],
)
def test_air_for_a_traction_battery_of_80_volts(constant: float, gas: float, flow: float, opening: float) -> None:
    """EN 50272-3 and EN 62485-3 by trade pages: 40 cells, 625 Ah."""
    found = traction_air_flow(constant, 40, gas, 625.0)
    assert found == pytest.approx(flow)
    assert opening_square_centimetres(28.0, found) == pytest.approx(opening)


@pytest.mark.parametrize(("gas", "rated", "distance"), [(5.0, 200.0, 288.0), (20.0, 400.0, 576.0), (1.0, 100.0, 133.7)])
def test_distance_to_sparks(gas: float, rated: float, distance: float) -> None:
    """28.8 times the cube roots, EN 50272-2 (from memory)."""
    assert safe_distance_millimetres(gas, rated) == pytest.approx(distance, abs=0.1)


def test_a_north_american_figure_for_hydrogen_is_the_same_gas() -> None:
    """0.000269 cubic feet a minute for each ampere and cell."""
    litres_per_hour = 0.000269 * 28.316846592 * 60
    assert litres_per_hour == pytest.approx(0.4570, abs=1e-4)
    assert litres_per_hour == pytest.approx(FLOODED["hydrogen_litres_per_amp_hour"], rel=3e-3)


@pytest.mark.parametrize(
    ("celsius", "halving", "years"),
    [(35.0, 10.0, 10.00), (35.0, 25 / 3, 8.71), (45.0, 10.0, 5.00), (45.0, 25 / 3, 3.79), (25 + 25 / 3, 10.0, 11.23),
     (25 + 25 / 3, 25 / 3, 10.00)],
)  # fmt: skip
def test_twenty_years_at_25_degrees_in_the_heat(celsius: float, halving: float, years: float) -> None:
    """Two rules of makers and trade texts: life halves with 10 K, or with 15 °F."""
    assert life_years(20.0, [(1.0, ageing_rate(celsius, halving))]) == pytest.approx(years, abs=0.01)


def test_rates_are_averaged_not_temperatures() -> None:
    """Half a year at 25 and half at 35 °C: 1.5 years a year, not 1.41."""
    halves = [(0.5, ageing_rate(25.0, 10.0)), (0.5, ageing_rate(35.0, 10.0))]
    assert sum(share * rate for share, rate in halves) == pytest.approx(1.5)
    assert life_years(20.0, halves) == pytest.approx(13.33, abs=0.01)
    assert ageing_rate(30.0, 10.0) == pytest.approx(math.sqrt(2.0))


def test_heat_of_a_sealed_bank_at_float() -> None:
    """A maker's page: about 0.09 W for each cell and 100 Ah; 24 cells of 200 Ah."""
    assert float_heat_watts(SEALED["float_heat_watts"], 24, 200.0) == pytest.approx(4.32)


@pytest.mark.parametrize(("kelvin_per_watt", "amps"), [(6.0, 1.06), (12.0, 0.53)])
def test_current_at_which_heat_runs_away(kelvin_per_watt: float, amps: float) -> None:
    """V I ln 2 / 10 K = 1 / R, checked against the derivative of heat in and heat out."""
    found = critical_amps(2.27, kelvin_per_watt)
    assert found == pytest.approx(amps, abs=0.005)
    step = 1e-4
    more_heat = 2.27 * found * (2 ** (step / 10.0) - 1.0)
    assert more_heat == pytest.approx(step / kelvin_per_watt, rel=1e-4)
