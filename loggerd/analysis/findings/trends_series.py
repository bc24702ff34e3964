"""The series that trends and drifts are looked for in: where each comes from, and what is harm in it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from loggerd.analysis.findings.events import (
    BecameFull,
    BlocksCompared,
    Capacity,
    Event,
    Resistance,
    Rested,
    TailSettled,
)
from loggerd.analysis.findings.heat_formulas import full_current

Limits = Mapping[str, float]
Reading = tuple[float, float | None]
"""Value and temperature."""
REFERENCE_CELSIUS = 25.0


@dataclass(frozen=True)
class SeriesSpec:
    """One series. `finding`: whose trend it is. `words`: how it is called.

    `harm`: -1 where a fall is bad, 1 where a rise is, 0 where both are told. `limit`: the change in a year that is
    named; of `relative` series as a share of their median. `least`: what two values differ by that mean nothing
    [unit of the value, or share]. `season`: change per kelvin that is left in the values, with its doubt.
    """

    name: str
    finding: str
    words: str
    harm: int
    limit: str
    relative: bool
    least: float
    shown: float
    """Factor from a value to what is told of it; of relative series 100, per median."""
    limit_shown: float
    """Factor from the limit to what is told."""
    season: Callable[[Limits], tuple[float, float]]


def _capacity_season(limits: Limits) -> tuple[float, float]:
    """In per cent of the rated amp-hours and kelvin: what the rule of the rating has left."""
    left = limits["season_capacity_per_kelvin"] - limits["capacity_per_kelvin_slow"]
    return 100.0 * left, 100.0 * limits["season_capacity_doubt"]


def _capacity(witness: str, words: str) -> SeriesSpec:
    return SeriesSpec(
        f"capacity_{witness}",
        "trends.capacity",
        words,
        -1,
        "trend_capacity_per_year",
        False,
        0.5,
        1.0,
        100.0,
        _capacity_season,
    )


SERIES: tuple[SeriesSpec, ...] = (
    _capacity("tested", "tested capacity [% of rated]"),
    _capacity("observed", "observed capacity [% of rated]"),
    _capacity("inferred", "inferred capacity [% of rated]"),
    SeriesSpec(
        "resistance", "trends.resistance", "resistance [mOhm]", 1,
        "trend_ohms_per_year", True, 0.01, 100.0, 100.0,
        lambda limits: (0.0, limits["season_ohms_doubt"]),
    ),
    SeriesSpec(
        "acceptance", "trends.end_of_charge", "share taken before the charging voltage was reached", -1,
        "trend_acceptance_per_year", False, 0.02, 100.0, 100.0,
        lambda limits: (0.0, limits["season_acceptance_doubt"]),
    ),
    SeriesSpec(
        "tail", "trends.tail_current",
        "current at full charge [A per 100 Ah, at 25 °C and the charging voltage]", 1,
        "trend_tail_per_year",
        False, 0.05, 1.0, 1.0,
        lambda limits: (0.0, limits["season_tail_doubt"]),
    ),
    SeriesSpec(
        "rest_volts", "trends.rest_volts", "rested voltage after full charges [V per cell]", 0,
        "trend_rest_volts_per_year", False, 0.002, 1000.0, 1000.0,
        lambda limits: (0.0, limits["season_rest_volts_doubt"]),
    ),
    SeriesSpec(
        "spread_rest", "trends.spread", "difference of the rested blocks [V per cell]", 1, "trend_spread_per_year",
        False, 0.002, 1000.0, 1000.0,
        lambda limits: (0.0, limits["season_rest_volts_doubt"]),
    ),
    SeriesSpec(
        "spread_charge", "trends.spread", "difference of the blocks at the end of charge [V per cell]", 1,
        "trend_spread_per_year", False, 0.005, 1000.0, 1000.0,
        lambda limits: (0.0, limits["season_rest_volts_doubt"]),
    ),
)  # fmt: skip


def readings_of(event: Event, rated_amp_hours: float, limits: Limits) -> list[tuple[str, Reading]]:
    """What an event adds to which series."""
    for kind, read in _READERS:
        if isinstance(event, kind):
            return read(event, rated_amp_hours, limits)
    return []


def _of_capacity(event: Capacity, rated: float, limits: Limits) -> list[tuple[str, Reading]]:
    del limits
    known = event.witness in ("tested", "observed", "inferred")
    return [(f"capacity_{event.witness}", (100.0 * event.amp_hours / rated, event.celsius))] if known else []


def _of_resistance(event: Resistance, rated: float, limits: Limits) -> list[tuple[str, Reading]]:
    del rated, limits
    return [] if event.bank_ohms is None else [("resistance", (1000.0 * event.bank_ohms, event.celsius))]


def _of_full(event: BecameFull, rated: float, limits: Limits) -> list[tuple[str, Reading]]:
    return _of_tail(event, rated, limits) if event.proven and event.settled else []


def _of_tail(event: BecameFull | TailSettled, rated: float, limits: Limits) -> list[tuple[str, Reading]]:
    if event.celsius is None:
        return []
    reference = limits["absorption_volts_per_cell"]
    amps = full_current(event.tail_amps, event.celsius, event.volts_per_cell, reference)
    return [("tail", (100.0 * amps / rated, event.celsius))]


def _of_rest(event: Rested, rated: float, limits: Limits) -> list[tuple[str, Reading]]:
    del rated, limits
    fit = event.after == "charge" and event.after_full == "proven" and event.grade != "C"
    return [("rest_volts", (event.volts_per_cell, event.celsius))] if fit else []


def _of_blocks(event: BlocksCompared, rated: float, limits: Limits) -> list[tuple[str, Reading]]:
    del rated, limits
    pairs = (("spread_rest", event.rest), ("spread_charge", event.end_of_charge))
    return [(name, (spread, None)) for name, row in pairs if (spread := _spread(row)) is not None]


_READERS: tuple[tuple[type[Any], Callable[[Any, float, Limits], list[tuple[str, Reading]]]], ...] = (
    (Capacity, _of_capacity),
    (Resistance, _of_resistance),
    (BecameFull, _of_full),
    (TailSettled, _of_tail),
    (Rested, _of_rest),
    (BlocksCompared, _of_blocks),
)


def _spread(deviations: Sequence[float | None]) -> float | None:
    known = [value for value in deviations if value is not None]
    return max(known) - min(known) if len(known) > 1 else None
