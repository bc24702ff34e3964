"""Streams of the judging simulator: same seed same stream, batches change nothing, healthy banks are well kept."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

from loggerd.model.channels import parse_channel
from simulators.judging.cases import batches, draw_cases, healthy_cases
from simulators.judging.chemistry import LAYOUTS
from simulators.judging.faults import CAUSES, draw_fault, possible
from simulators.judging.sensors import stated_accuracy
from simulators.judging.stream import FULL_FILL, Case, Chunk, Streams, Truth, whole_stream

NAMES = sorted(LAYOUTS)
HOUSE = Path(__file__).parents[3] / "simulators" / "judging"
JUDGES = {"judge.py", "table.py", "run.py", "__main__.py"}
"""What holds the analysis against the truth, and so knows both."""


@pytest.fixture(scope="module")
def weeks() -> dict[str, tuple[Chunk, Truth]]:
    """Eight spring days of one well-kept bank of each layout."""
    return {name: whole_stream(Case(name, 7, 8)) for name in NAMES}


def test_the_simulator_knows_nothing_of_the_analysis() -> None:
    modules = [path for path in HOUSE.glob("*.py") if path.name not in JUDGES]
    assert len(modules) > 8
    for path in modules:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom):
                assert node.module is not None
                assert not node.module.startswith("loggerd.analysis"), path.name
                assert not node.module.startswith("loggerd.settings"), path.name


def test_the_same_seed_gives_the_same_stream() -> None:
    fault = draw_fault("noisy_channel", 1, "golf", 3, 1)
    first, _ = whole_stream(Case("golf", 3, 2, fault=fault))
    again, _ = whole_stream(Case("golf", 3, 2, fault=fault))
    other, _ = whole_stream(Case("golf", 4, 2, fault=fault))
    for channel, values in first.channels.items():
        np.testing.assert_array_equal(values, again.channels[channel])
    assert not np.array_equal(first.channels["volts"], other.channels["volts"])


def test_a_bank_reads_the_same_alone_and_among_others() -> None:
    fault = draw_fault("loose_link", 2, "solar_agm", 3, 1)
    cases = [Case("solar_agm", 5, 3), Case("solar_agm", 3, 2, 240, fault), Case("solar_agm", 6, 2)]
    among = [chunks[1] for chunks in Streams(cases).run() if len(chunks) == len(cases)]
    alone = [chunks[0] for chunks in Streams(cases[1:2]).run()]
    for one, other in zip(among, alone, strict=True):
        for channel, values in one.channels.items():
            np.testing.assert_allclose(values, other.channels[channel], atol=1e-6, err_msg=channel)


@pytest.mark.parametrize("name", NAMES)
def test_channels_are_those_of_a_bank_and_lie_on_their_steps(name: str, weeks: dict[str, tuple[Chunk, Truth]]) -> None:
    chunk, _ = weeks[name]
    stated = stated_accuracy(LAYOUTS[name])
    assert set(chunk.channels) == set(stated)
    assert (np.diff(chunk.times_ms) == 60_000).all()
    for channel, values in chunk.channels.items():
        parse_channel(channel)
        assert len(values) == len(chunk.times_ms)
        steps = values / stated[channel].resolution
        np.testing.assert_allclose(steps, np.rint(steps), atol=1e-4)


@pytest.mark.parametrize("name", NAMES)
def test_taps_and_strings_add_up(name: str, weeks: dict[str, tuple[Chunk, Truth]]) -> None:
    chunk, layout = weeks[name][0], LAYOUTS[name]
    for string in range(layout.strings):
        first = 1 + string * layout.blocks_per_string
        taps = sum(chunk.channels[f"block_{first + k}_volts"] for k in range(layout.blocks_per_string))
        assert np.abs(taps - chunk.channels["volts"]).max() < 0.4
    if layout.strings > 1:
        parts = sum(chunk.channels[f"string_{k + 1}_amps"] for k in range(layout.strings))
        assert np.abs(parts - chunk.channels["amps"]).max() < 1.0


@pytest.mark.parametrize("name", NAMES)
def test_a_healthy_bank_is_a_well_kept_one(name: str, weeks: dict[str, tuple[Chunk, Truth]]) -> None:
    (chunk, truth), layout = weeks[name], LAYOUTS[name]
    highest = np.array(truth.highest_fill)
    assert (highest >= FULL_FILL).sum() >= 4
    amps, volts = chunk.channels["amps"], chunk.channels["volts"] / layout.cells_in_series
    full = [int(np.searchsorted(chunk.times_ms, at)) for at in truth.full_ms]
    between = amps[full[1] : full[-1]]
    factor = between.clip(min=0.0).sum() / -between.clip(max=0.0).sum()
    assert 0.97 < factor < 1.25
    assert 1.85 < volts.min() < 2.12
    assert layout.chemistry.absorption_volts - 0.05 < volts.max() < 2.80
    quiet = np.abs(amps) < 0.004 * layout.rated_amp_hours
    blocks = np.array([chunk.channels[f"block_{k + 1}_volts"][quiet] for k in range(layout.blocks_per_string)])
    assert 1e3 * np.median(blocks.std(axis=0)) / layout.cells_per_block < 5.0
    temperatures = [values for channel, values in chunk.channels.items() if channel.endswith("celsius")]
    assert all(values.min() > -10.0 and values.max() < 50.0 for values in temperatures)


def test_cases_cover_what_can_be_and_come_again() -> None:
    cases = draw_cases(12345, 1)
    assert cases == draw_cases(12345, 1)
    assert cases != draw_cases(12346, 1)
    seen = {case.fault.cause for case in cases if case.fault is not None}
    assert seen == set(CAUSES)
    for case in cases:
        assert case.fault is not None
        assert possible(case.fault.cause, LAYOUTS[case.layout])
        assert 60 <= case.fault.begin_day < case.days
    # One alone is the one among all.
    assert [case for case in cases if case.fault is not None and case.fault.cause == "dry_out"] == draw_cases(
        12345, 1, ("dry_out",)
    )
    with pytest.raises(ValueError, match="rust"):
        draw_cases(1, 1, ("rust",))


def test_batches_hold_every_case_once() -> None:
    cases = draw_cases(5, 2) + healthy_cases(5, 30)
    gathered = batches(cases, 16)
    assert sum(len(batch) for batch in gathered) == len(cases)
    assert all(len({case.layout for case in batch}) == 1 for batch in gathered)
    assert max(len(batch) for batch in gathered) <= 16
