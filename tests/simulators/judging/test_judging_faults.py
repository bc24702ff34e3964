"""Each seeded fault changes what it should, against the same bank left alone."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest

from simulators.judging.chemistry import LAYOUTS
from simulators.judging.faults import BANK_CAUSES, CAUSES, SENSOR_CAUSES, draw_fault, possible
from simulators.judging.stream import Case, Chunk, Streams, Truth

DAYS, BEGIN, SEED = 14, 3, 11
SEVERE = 2


class Pair:
    """One bank with a severe fault from day BEGIN on, and its healthy twin."""

    def __init__(self, streams: Streams, chunks: list[list[Chunk]], number: int) -> None:
        fault = streams.cases[number].fault
        assert fault is not None
        self.layout, self.fault = streams.layout, fault
        self.ill, self.well = (_joined([day[bank] for day in chunks]) for bank in (number, -1))
        self.ill_truth, self.well_truth = streams.truths[number], streams.truths[-1]
        self.clock_errors = [int(day[number].times_ms[0] - day[-1].times_ms[0]) for day in chunks]

    def after(self, channel: str) -> tuple[np.ndarray, np.ndarray]:
        """Readings of the ill and of the healthy bank from when the fault is a day old."""
        begin = (BEGIN + 1) * 1440
        return self.ill[channel][begin:], self.well[channel][begin:]

    def tap(self) -> tuple[np.ndarray, np.ndarray]:
        return self.after(f"block_{self.fault.block}_volts")


def _joined(chunks: list[Chunk]) -> dict[str, np.ndarray]:
    return {name: np.concatenate([chunk.channels[name] for chunk in chunks]) for name in chunks[0].channels}


@cache
def _run(layout: str) -> tuple[Streams, list[list[Chunk]]]:
    """All faults that are looked at in a layout, and at last the healthy bank, simulated together."""
    faults = [draw_fault(cause, SEVERE, layout, SEED, BEGIN) for cause in _looked_at(layout)]
    cases = [Case(layout, SEED, DAYS, fault=fault) for fault in (*faults, None)]
    streams = Streams(cases)
    return streams, list(streams.run())


def _looked_at(layout: str) -> list[str]:
    return [cause for cause in CAUSES if (EXPECTED[cause][0] if cause in EXPECTED else "solar") == layout]


def _pair(cause: str, layout: str) -> Pair:
    streams, chunks = _run(layout)
    return Pair(streams, chunks, _looked_at(layout).index(cause))


def _last(truth: Truth, name: str) -> np.ndarray:
    return np.asarray(getattr(truth, name)[-1])


def _lost(pair: Pair) -> np.ndarray:
    return 1.0 - _last(pair.ill_truth, "capacity_amp_hours") / _last(pair.well_truth, "capacity_amp_hours")


def _worse_ohms(pair: Pair) -> np.ndarray:
    return _last(pair.ill_truth, "ohms") / _last(pair.well_truth, "ohms") - 1.0


def _only_at(pair: Pair, change: np.ndarray, least: float) -> bool:
    others = np.delete(change.ravel(), pair.fault.block - 1)
    return bool(change.ravel()[pair.fault.block - 1] > least and np.abs(others).max() < 0.2 * least)


def _amp_hours_in(pair: Pair) -> tuple[float, float]:
    ill, well = pair.after("amps")
    return float(ill.clip(min=0.0).sum() / 60.0), float(well.clip(min=0.0).sum() / 60.0)


def _strings_differ(pair: Pair) -> bool:
    one, two = (pair.ill[f"string_{k}_amps"][(BEGIN + 6) * 1440 :] for k in (1, 2))
    drawn = one + two < -0.05 * pair.layout.rated_amp_hours
    return bool(np.abs(one[drawn] - two[drawn]).sum() > 0.03 * np.abs(one[drawn] + two[drawn]).sum())


EXPECTED: dict[str, tuple[str, Callable[[Pair], bool]]] = {
    "sulfation": ("solar", lambda p: bool((_last(p.ill_truth, "sulfate") > 0.03).all() and (_lost(p) > 0.03).all())),
    "stratification": ("truck", lambda p: bool((_lost(p) > 0.02).all())),
    "shorted_cell": ("golf", lambda p: bool(np.median(p.tap()[1] - p.tap()[0]) > 1.7)),
    "open_cell": ("solar", lambda p: bool(p.tap()[0].min() < p.tap()[1].min() - 2.0)),
    "dry_out": ("solar", lambda p: bool((_worse_ohms(p) > 0.05).all())),
    "grid_corrosion": ("solar", lambda p: bool((_lost(p) > 0.015).all() and (_worse_ohms(p) > 0.02).all())),
    "loose_link": ("truck", lambda p: _only_at(p, _worse_ohms(p), 0.5)),
    "thermal_runaway": ("solar_agm", lambda p: p.after("block_1_celsius")[0].max() > 55.0),
    "out_of_balance": ("golf", lambda p: _last(p.ill_truth, "fill").ravel()[p.fault.block - 1] < 0.97),
    "low_capacity_block": ("golf", lambda p: _only_at(p, _lost(p), 0.08)),
    "unequal_strings": ("solar_agm", _strings_differ),
    "parasitic_load": ("truck", lambda p: float(np.median(p.after("amps")[0])) < float(np.median(p.after("amps")[1]))),
    "set_point_low": ("solar", lambda p: p.after("volts")[0].max() < p.after("volts")[1].max() - 2.0),
    "set_point_high": ("solar", lambda p: p.after("volts")[0].max() > p.after("volts")[1].max() + 2.0),
    "compensation_wrong": ("solar", lambda p: bool(np.diff(np.percentile(p.after("volts"), 97, axis=1))[0] < -1.0)),
    "over_discharge": ("golf", lambda p: p.after("volts")[0].min() < 1.72 * 24),
    "freezing_risk": ("solar", lambda p: p.after("ambient_celsius")[0].min() < -15.0),
    "overcharge": ("truck", lambda p: _amp_hours_in(p)[0] > 1.08 * _amp_hours_in(p)[1]),
    "contamination": ("golf", lambda p: _last(p.ill_truth, "fill").ravel()[p.fault.block - 1] < 0.97),
    "active_material_wear": ("solar", lambda p: bool((_lost(p) > 0.015).all())),
    "chronic_undercharge": ("solar", lambda p: max(p.ill_truth.highest_fill[-5:]) < 0.97),
}


def test_every_fault_of_a_bank_is_expected_something_of() -> None:
    assert set(EXPECTED) == set(BANK_CAUSES)
    assert set(CAUSES) == set(BANK_CAUSES) | set(SENSOR_CAUSES)


@pytest.mark.parametrize("cause", BANK_CAUSES)
def test_a_fault_of_the_bank_shows_where_it_should(cause: str) -> None:
    layout, shows = EXPECTED[cause]
    pair = _pair(cause, layout)
    before = slice(0, BEGIN * 1440)
    np.testing.assert_array_equal(pair.ill["volts"][before], pair.well["volts"][before])
    assert shows(pair)


@pytest.fixture(scope="module")
def sensor_pairs() -> dict[str, Pair]:
    return {cause: _pair(cause, "solar") for cause in SENSOR_CAUSES}


@pytest.mark.parametrize("cause", SENSOR_CAUSES)
def test_a_fault_of_the_measuring_leaves_the_bank_alone(cause: str, sensor_pairs: dict[str, Pair]) -> None:
    pair = sensor_pairs[cause]
    np.testing.assert_array_equal(_last(pair.ill_truth, "fill"), _last(pair.well_truth, "fill"))
    changed = [name for name in pair.ill if not np.array_equal(*pair.after(name), equal_nan=True)]
    assert changed or any(pair.clock_errors)
    assert not any(pair.clock_errors[:BEGIN])


def test_swapped_tap_wires_read_double_and_negative(sensor_pairs: dict[str, Pair]) -> None:
    pair = sensor_pairs["swapped_taps"]
    medians = np.array([np.median(pair.after(f"block_{k + 1}_volts")[0]) for k in range(pair.layout.blocks)])
    wrong = np.flatnonzero(np.abs(medians - np.median(medians)) > 1.0)
    assert len(wrong) == 3
    assert medians[wrong[1]] == pytest.approx(-6.3, abs=0.5)
    assert medians[wrong[[0, 2]]] == pytest.approx([12.6, 12.6], abs=1.0)


def test_a_tap_wire_with_a_drop_reads_in_mirror(sensor_pairs: dict[str, Pair]) -> None:
    pair = sensor_pairs["mirrored_taps"]
    moved = np.array([np.median(np.subtract(*pair.after(f"block_{k + 1}_volts"))) for k in range(pair.layout.blocks)])
    struck = np.flatnonzero(np.abs(moved) > 0.1)
    assert len(struck) == 2
    assert np.diff(struck)[0] == 1
    assert moved.sum() == pytest.approx(0.0, abs=0.02)


def test_bypasses_hide_one_direction(sensor_pairs: dict[str, Pair]) -> None:
    assert sensor_pairs["bypassed_load"].after("amps")[0].min() > -1.0
    assert sensor_pairs["bypassed_charger"].after("amps")[0].max() < 1.0


def test_a_flipped_sign_and_a_wrong_shunt_scale_the_current(sensor_pairs: dict[str, Pair]) -> None:
    flipped, well = sensor_pairs["sign_flipped"].after("amps")
    np.testing.assert_allclose(flipped, -well, atol=1e-9)
    scaled, well = sensor_pairs["shunt_scale"].after("amps")
    np.testing.assert_allclose(scaled, 1000.0 * well, atol=10.1)


def test_faults_that_cannot_be_are_refused() -> None:
    assert not possible("thermal_runaway", LAYOUTS["truck"])
    with pytest.raises(ValueError, match="cannot befall"):
        draw_fault("unequal_strings", 0, "golf", 1, 1)
    with pytest.raises(ValueError, match="expected one of"):
        draw_fault("rust", 0, "golf", 1, 1)
