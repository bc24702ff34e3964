from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from loggerd.clock import AcceleratedClock
from loggerd.settings.load import load_settings
from simulators.cabin import CLIMATE
from simulators.instruments.instrument import RegisterInstrument
from simulators.scenarios import SCENARIOS
from simulators.settings_text import settings_text
from simulators.site import HistoryBlock, SimulatedSite
from simulators.weather import weather

DAY_MS = 86_400_000
WINTER_MS = int(datetime(2026, 1, 5, tzinfo=UTC).timestamp() * 1000)
SUMMER_MS = int(datetime(2026, 6, 22, tzinfo=UTC).timestamp() * 1000)


def make_history(name: str, days: float, seed: int = 1, start_ms: int = WINTER_MS) -> dict[str, HistoryBlock]:
    """History at 60 s, the blocks of each device joined."""
    site = SimulatedSite(SCENARIOS[name](0), seed, (), start_ms)
    parts: dict[str, list[HistoryBlock]] = {}
    for blocks in site.history(start_ms, start_ms + round(days * DAY_MS), 60.0):
        for block in blocks:
            parts.setdefault(block.device, []).append(block)
    return {
        device: HistoryBlock(
            device,
            np.concatenate([block.at_ms for block in blocks]),
            tuple(np.concatenate(columns) for columns in zip(*(block.counts for block in blocks), strict=True)),
        )
        for device, blocks in parts.items()
    }


def hours(block: HistoryBlock, utc_offset: float) -> np.ndarray:
    return (block.at_ms / 3_600_000.0 + utc_offset) % 24


@pytest.mark.parametrize("name", SCENARIOS)
def test_history_is_the_same_for_a_seed_and_another_for_another(name: str) -> None:
    first, again, other = (make_history(name, 1.0, seed) for seed in (1, 1, 2))
    for device, block in first.items():
        assert (np.diff(block.at_ms) == 60_000).all()
        assert block.at_ms[-1] == WINTER_MS + DAY_MS
        assert all((a == b).all() for a, b in zip(block.counts, again[device].counts, strict=True))
        assert any((a != b).any() for a, b in zip(block.counts, other[device].counts, strict=True))


def test_history_does_not_depend_on_where_it_is_cut() -> None:
    whole = make_history("cabin", 0.5)
    site = SimulatedSite(SCENARIOS["cabin"](0), 1, (), WINTER_MS)
    middle = WINTER_MS + DAY_MS // 4
    parts = [*site.history(WINTER_MS, middle, 60.0), *site.history(middle, WINTER_MS + DAY_MS // 2, 60.0)]
    for number, device in enumerate(whole):
        joined = np.concatenate([np.array(blocks[number].counts) for blocks in parts], axis=1)
        assert (joined == np.array(whole[device].counts)).all()


def test_history_of_the_past_is_refused() -> None:
    site = SimulatedSite(SCENARIOS["cabin"](0), 1, (), WINTER_MS)
    site.advance_to(120.0)
    with pytest.raises(ValueError, match="already lived until"):
        next(site.history(WINTER_MS, WINTER_MS + DAY_MS, 60.0))


def test_cabin_has_sun_by_day_and_loads_by_night() -> None:
    shunt = make_history("cabin", 7.0)["shunt"]
    amps, hour = shunt.counts[1] / 1000.0, hours(shunt, 1.0)
    night = amps[(hour > 23.5) | (hour < 3.0)]
    assert -5.0 < night.mean() < -0.2
    assert amps[(hour > 10.0) & (hour < 14.0)].max() > 5.0
    volts = shunt.counts[0] / 100.0
    assert 43.0 < volts.min() < volts.max() < 63.0


def test_summer_has_more_sun_and_warmer_air() -> None:
    sun, celsius = {}, {}
    for season, start_ms in (("winter", WINTER_MS), ("summer", SUMMER_MS)):
        days = [weather(CLIMATE, 1, start_ms // DAY_MS + day) for day in range(20)]
        sun[season] = sum(sum(day.sun) for day in days)
        celsius[season] = float(np.mean([day.celsius for day in days]))
    assert sun["summer"] > 1.5 * sun["winter"] > 0.0
    assert celsius["summer"] > celsius["winter"] + 8.0


def test_cabin_counter_follows_the_current() -> None:
    shunt = make_history("cabin", 3.0)["shunt"]
    amps, counted = shunt.counts[1] / 1000.0, shunt.counts[2] / 100.0
    # The current is constant within a step, so the counter rises by the current at the end of the step.
    assert counted[-1] - counted[0] == pytest.approx(amps[1:].sum() / 60.0, abs=0.02 * np.abs(amps).sum() / 60.0 + 2.0)


def test_forklift_works_two_shifts_and_is_charged_at_night() -> None:
    monitor = make_history("forklift", 5.0)["monitor"]
    amps, hour = -monitor.counts[1] / 10.0, hours(monitor, 1.0)
    driving = amps[(hour > 6.1) & (hour < 21.0)]
    assert driving.min() < -150.0
    assert (driving < 2.0).all()
    assert amps[(hour > 22.1) | (hour < 4.0)].mean() > 15.0
    discharged = -np.minimum(amps, 0.0).sum() / 60.0 / 5
    assert 200.0 < discharged < 620.0


def test_golf_carts_run_by_day_and_charge_from_dusk() -> None:
    history = make_history("golf", 4.0)
    for number in (1, 2, 3):
        shunt = history[f"shunt_{number}"]
        # 50 mV at 500 A, counts of 0.01 mV.
        amps, hour = shunt.counts[1] * 0.1, hours(shunt, 0.0)
        assert amps[(hour > 8.0) & (hour < 18.0)].min() < -30.0
        assert amps[(hour > 19.1) & (hour < 20.0)].max() > 10.0
    assert (history["shunt_1"].counts[1] != history["shunt_2"].counts[1]).any()


def test_block_volts_add_up_to_bank_volts() -> None:
    history = make_history("cabin", 1.0)
    taps = np.array(history["taps"].counts[:8]).sum(axis=0) / 1000.0
    volts = history["shunt"].counts[0] / 100.0
    assert np.abs(taps - volts).max() < 0.25


def test_words_carry_the_counts_of_history() -> None:
    site = SimulatedSite(SCENARIOS["cabin"](0), 1, (), WINTER_MS)
    (blocks,) = site.history(WINTER_MS, WINTER_MS + 3_600_000, 60.0)
    shunt = next(device for device in site.scenario.devices() if device.name == "shunt")
    assert isinstance(shunt, RegisterInstrument)
    counts = np.column_stack(blocks[0].counts)
    words = shunt.words(counts).astype(np.int64)
    amps = (words[:, 1] << 16 | words[:, 2]).astype(np.uint32).astype(np.int32)
    assert (words[:, 0] == counts[:, 0]).all()
    assert (amps == counts[:, 1]).all()
    assert (amps < 0).any()


async def test_settings_text_is_accepted_by_the_service(tmp_path: Path) -> None:
    for make in SCENARIOS.values():
        scenario = make(0)
        site = SimulatedSite(scenario, 1, (), WINTER_MS)
        await site.start(AcceleratedClock(WINTER_MS, 1.0))
        try:
            text = settings_text(scenario, {"path": "record.sqlite", "commit_seconds": 10})
        finally:
            await site.stop()
        path = tmp_path / f"{scenario.name}.toml"
        path.write_text(text, encoding="utf-8")
        settings = load_settings(path)
        assert [device.name for device in settings.devices] == [device.name for device in scenario.devices()]
        for device, instrument in zip(settings.devices, scenario.devices(), strict=True):
            assert tuple(channel.channel for channel in device.channels) == instrument.channels


def test_wires_that_were_not_started_have_no_address() -> None:
    with pytest.raises(RuntimeError, match="not"):
        settings_text(SCENARIOS["cabin"](0))


def test_speed_of_history_is_printed() -> None:
    days = 3
    began = time.perf_counter()
    make_history("cabin", days)
    seconds = time.perf_counter() - began
    print(f"history of the cabin: {seconds / days * 90:.1f} s for 90 days at 60 s")


def test_the_air_does_not_jump_at_midnight() -> None:
    days = [np.array(weather(CLIMATE, 1, WINTER_MS // DAY_MS + number).celsius) for number in range(366)]
    assert max(abs(np.diff(np.concatenate(days)))) < 0.05
