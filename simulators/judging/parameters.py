"""What one bank is made of and how it is used, drawn from a seed. Shapes: (strings, blocks) or single numbers."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from simulators.judging.chemistry import Floats, Layout


@dataclass
class Draw:
    """One bank. Block values have shape (strings, blocks per string), others are single numbers; see `stack`."""

    # Blocks.
    design_share: Floats
    """Capacity when new, of the nominal block's."""
    fade: Floats
    resistance: Floats
    gas: Floats
    leak: Floats
    link_ohms: Floats
    start_fill: Floats
    warmth_share: Floats
    """Thermal resistance of a block against the bank's mean (inner blocks cool less)."""
    # The bank.
    available: Floats
    exchange: Floats
    gas_per_volt: Floats
    gas_joules: Floats
    full_molality: Floats
    surface_volts: Floats
    kelvin_per_watt: Floats
    heat_hours: Floats
    # The charger: volts per cell at 25 °C, amperes of the bank.
    absorption_volts: Floats
    float_volts: Floats
    compensation: Floats
    charge_amps: Floats
    absorption_hours: Floats
    tail_amps: Floats
    finish_amps: Floats
    finish_volts: Floats
    finish_hours: Floats
    equalize_hours: Floats
    equalize_volts: Floats
    equalize_days: Floats
    """Days between two equalizing charges."""
    probe_error: Floats
    # Use and weather.
    depth: Floats
    """Share of the rated amp-hours taken on an ordinary day."""
    panel_amps: Floats
    generator_amps: Floats
    cut_volts: Floats
    back_volts: Floats
    latitude: Floats
    cloudiness: Floats
    mean_celsius: Floats
    yearly_celsius: Floats
    daily_celsius: Floats
    shelter: Floats
    """How much of the air's swings the room takes away."""


def _number(value: float) -> Floats:
    return np.array(float(value))


def draw_bank(layout: Layout, seed: int) -> Draw:
    """Draw a well-kept bank of that layout. The same seed gives the same bank."""
    rng = np.random.default_rng([seed, 1])
    shape = (layout.strings, layout.blocks_per_string)
    age = float(rng.uniform(0.0, 0.6))
    values = _draw_blocks(layout, rng, shape, age)
    values |= _draw_bank(layout, rng)
    values |= _draw_charger(layout, rng)
    values |= _draw_use(layout, rng)
    return Draw(**values)


def _draw_blocks(layout: Layout, rng: np.random.Generator, shape: tuple[int, int], age: float) -> dict[str, Floats]:
    capacity_spread = rng.uniform(0.010, 0.025) / 1.5
    resistance_spread = rng.uniform(0.02, 0.05)
    fill_spread = rng.uniform(0.001, 0.006)
    ends = np.abs(np.linspace(-1.0, 1.0, shape[1])) * np.ones(shape)
    link = 0.05 if layout.site == "solar" else 0.03
    return {
        "design_share": rng.uniform(1.0, 1.04) * (1.0 + capacity_spread * rng.standard_normal(shape).clip(-2.5, 2.5)),
        "fade": np.full(shape, 0.13 * age * rng.uniform(0.7, 1.3)),
        "resistance": (1.0 + 0.4 * age) * (1.0 + resistance_spread * rng.standard_normal(shape).clip(-2.5, 2.5)),
        "gas": rng.uniform(0.8, 1.4) * (1.0 + 1.2 * age) * np.exp(0.06 * rng.standard_normal(shape)),
        "leak": np.exp(0.15 * rng.standard_normal(shape)) * (1.0 + 0.5 * age),
        "link_ohms": link / layout.string_amp_hours * rng.uniform(0.6, 1.4, shape),
        "start_fill": (rng.uniform(0.93, 0.99) + fill_spread * rng.standard_normal(shape)).clip(0.9, 1.0),
        "warmth_share": 1.05 - 0.1 * ends + 0.03 * rng.standard_normal(shape),
    }


def _draw_bank(layout: Layout, rng: np.random.Generator) -> dict[str, Floats]:
    chemistry = layout.chemistry
    # Heat goes with the surface, its store with the mass: about 14 kg and 1 kJ/(kg K) for 100 Ah of a 2 V cell is a
    # round figure for flooded ones.
    watts_per_kelvin = 0.016 * layout.string_amp_hours**0.67 * layout.cells_per_block**0.8
    return {
        "available": _number(chemistry.available + rng.uniform(-0.03, 0.03)),
        "exchange": _number(chemistry.exchange_per_hour * rng.uniform(0.85, 1.15)),
        "gas_per_volt": _number(np.log(10.0) / rng.uniform(0.195, 0.225)),
        "gas_joules": _number(rng.uniform(42e3, 52e3)),
        "full_molality": _number(chemistry.full_molality * rng.uniform(0.98, 1.02)),
        "surface_volts": _number(chemistry.surface_volts * rng.uniform(0.7, 1.3)),
        "kelvin_per_watt": _number(rng.uniform(0.8, 1.25) / watts_per_kelvin),
        "heat_hours": _number(rng.uniform(0.8, 1.25) * 6.0 * (layout.string_amp_hours / 100.0) ** 0.4),
    }


def _draw_charger(layout: Layout, rng: np.random.Generator) -> dict[str, Floats]:
    chemistry, rated, site = layout.chemistry, layout.rated_amp_hours, layout.site
    sealed = chemistry.recombined > 0.5
    rates = {"solar": (0.20, 0.30), "truck": (0.15, 0.19), "golf": (0.11, 0.15)}
    hours = {"solar": (2.8, 4.2), "truck": (2.0, 3.0), "golf": (2.5, 3.5)}
    finish = {"solar": (0.04, 0.05), "truck": (0.025, 0.035), "golf": (0.02, 0.028)}[site]
    finish_hours = {"solar": 0.0, "truck": rng.uniform(1.2, 2.0), "golf": rng.uniform(0.6, 1.2)}[site]
    equalize_hours = {"solar": rng.uniform(2.0, 3.0), "truck": rng.uniform(2.5, 4.0), "golf": rng.uniform(2.0, 3.0)}
    equalize_days = {"solar": rng.uniform(28.0, 45.0), "truck": 7.0, "golf": rng.uniform(28.0, 35.0)}[site]
    return {
        "absorption_volts": _number(chemistry.absorption_volts + rng.uniform(-0.012, 0.012)),
        "float_volts": _number(chemistry.float_volts + rng.uniform(-0.01, 0.01)),
        "compensation": _number(chemistry.compensation_volts * rng.uniform(0.85, 1.1)),
        "charge_amps": _number(rated * rng.uniform(*rates[site])),
        "absorption_hours": _number(rng.uniform(*hours[site]) * (1.3 if sealed else 1.0)),
        "tail_amps": _number(rated * rng.uniform(0.003, 0.006) if site == "solar" else 0.0),
        "finish_amps": _number(rated * rng.uniform(*finish)),
        "finish_volts": _number(2.75 if site == "truck" else 2.65),
        "finish_hours": _number(finish_hours),
        "equalize_hours": _number(0.0 if sealed else equalize_hours[site]),
        "equalize_volts": _number(chemistry.absorption_volts + rng.uniform(0.09, 0.13)),
        "equalize_days": _number(equalize_days),
        "probe_error": _number(rng.uniform(-1.0, 1.0)),
    }


def _draw_use(layout: Layout, rng: np.random.Generator) -> dict[str, Floats]:
    rated, site = layout.rated_amp_hours, layout.site
    depths = {"solar": (0.22, 0.36), "truck": (0.45, 0.65), "golf": (0.25, 0.5)}[site]
    depth = rng.uniform(*depths)
    indoors = site == "truck"
    return {
        "depth": _number(depth),
        # Enough panels for winter: that is what well-kept means here.
        "panel_amps": _number(rated * depth * rng.uniform(0.68, 0.90)),
        "generator_amps": _number(rated * rng.uniform(0.13, 0.18) if site == "solar" else 0.0),
        "cut_volts": _number({"solar": 1.88, "truck": 1.80, "golf": 1.72}[site]),
        "back_volts": _number({"solar": 2.06, "truck": 1.95, "golf": 1.95}[site]),
        "latitude": _number(rng.uniform(30.0, 46.0)),
        "cloudiness": _number(rng.uniform(0.15, 0.5)),
        "mean_celsius": _number(rng.uniform(17.0, 22.0) if indoors else rng.uniform(9.0, 20.0)),
        "yearly_celsius": _number(rng.uniform(2.0, 5.0) if indoors else rng.uniform(5.0, 9.0)),
        "daily_celsius": _number(rng.uniform(1.0, 2.0) if indoors else rng.uniform(3.0, 6.0)),
        "shelter": _number(rng.uniform(0.3, 0.6)),
    }


def stack(draws: list[Draw]) -> Draw:
    """Many banks as one: block values become (banks, strings, blocks), single numbers (banks,)."""
    return Draw(**{field.name: np.stack([getattr(draw, field.name) for draw in draws]) for field in fields(Draw)})
