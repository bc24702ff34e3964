from __future__ import annotations

import numpy as np
import pytest

from loggerd.model.bank import Bank, BankType
from simulators.bank_model import BankModel
from simulators.bank_parameters import BankParameters
from simulators.bank_state import Demand
from simulators.charger import Charger, ChargerProfile, Stage
from simulators.faults import (
    BANK_FAULTS,
    SENSOR_FAULTS,
    BankFault,
    SensorFault,
    SensorFaults,
    apply_bank_fault,
    seeded_fault,
)
from simulators.scenarios import SCENARIOS, cabin
from simulators.site import SimulatedSite

NONE: tuple[Charger, ...] = ()


def make_model(fill: float = 1.0) -> BankModel:
    bank = Bank("house", BankType.FLOODED_ANTIMONY, 1, 8, 3, 225.0, 20.0)
    parameters = BankParameters(
        bank, capacity_spread=0.0, resistance_spread=0.0, start_fill=fill, start_celsius=25.0, equivalent_cycles=0.0
    )
    return BankModel(parameters, 1)


def test_shorted_cell_drops_its_block_by_two_volts() -> None:
    model = make_model()
    before = model.step(60.0, Demand()).block_volts.copy()
    apply_bank_fault(BankFault("shorted_cell", "house", 0.0, block=3), model, NONE)
    after = model.step(60.0, Demand()).block_volts
    drops = before - after
    assert drops[2] == pytest.approx(2.1, abs=0.1)
    assert np.abs(np.delete(drops, 2)).max() < 0.01


def test_weak_block_is_like_its_peers_at_first_and_sags_at_the_end() -> None:
    model = make_model()
    apply_bank_fault(BankFault("weak_block", "house", 0.0, block=6, size=0.65), model, NONE)
    gaps = []
    for _ in range(int(5.2 * 60)):
        volts = model.step(60.0, Demand(load_amps=25.0, ambient_celsius=25.0)).block_volts
        gaps.append(float(np.delete(volts, 5).mean() - volts[5]))
    assert gaps[10] < 0.06
    assert gaps[-1] > 0.5
    assert gaps[-1] > 8 * gaps[10]


def test_high_resistance_link_grows_with_the_current_and_is_unseen_at_rest() -> None:
    model = make_model()
    apply_bank_fault(BankFault("high_resistance_link", "house", 0.0, block=4, size=2e-3), model, NONE)
    gaps = {}
    for amps in (0.0, 20.0, 40.0):
        volts = model.step(1.0, Demand(load_amps=amps)).block_volts
        gaps[amps] = float(np.delete(volts, 3).mean() - volts[3])
    assert abs(gaps[0.0]) < 1e-3
    assert gaps[20.0] == pytest.approx(0.04, abs=0.002)
    assert gaps[40.0] == pytest.approx(0.08, abs=0.002)


@pytest.mark.parametrize(("kind", "size"), [("low_set_point", 0.16), ("charger_ends_early", 0.1)])
def test_chronic_undercharge_leaves_the_bank_short(kind: str, size: float) -> None:
    fills = []
    for faulty in (False, True):
        model = make_model(fill=0.5)
        profile = ChargerProfile(22.5, 2.467, 2.2, 0.005, absorption_hours=4.0, floats=False)
        charger = Charger(profile, 24)
        if faulty:
            apply_bank_fault(BankFault(kind, "house", 0.0, size=size), model, (charger,))
        charger.start()
        for _ in range(14 * 60):
            source_amps, set_volts = charger.offer(60.0, model.state)
            model.step(60.0, Demand(0.0, source_amps, set_volts))
        assert charger.stage is Stage.OFF
        fills.append(float(model.fill.mean()))
    assert fills[1] < fills[0] - 0.02


def test_bank_fault_begins_at_its_time() -> None:
    site = SimulatedSite(cabin(), 1, [BankFault("shorted_cell", "house", 7200.0, block=1)])
    cells = site.banks["house"].model.blocks.cells
    site.advance_to(7140.0)
    assert cells[0, 0] == 3.0
    site.advance_to(7320.0)
    assert cells[0, 0] == 2.0


CHANNELS = ("volts", "amps")


def laid_over(fault: SensorFault, rows: int = 4000, chunk: int = 4000) -> np.ndarray:
    faults = SensorFaults((fault,), CHANNELS, seed=4)
    seconds = np.arange(float(rows))
    values = np.column_stack([50.0 + seconds / 1000.0, -seconds])
    for start in range(0, rows, chunk):
        faults.lay_over(values[start : start + chunk], seconds[start : start + chunk])
    return values


@pytest.mark.parametrize("kind", [kind for kind in SENSOR_FAULTS if kind != "dead_device"])
def test_sensor_fault_starts_and_ends_at_its_times_in_chunks_of_any_size(kind: str) -> None:
    fault = SensorFault(kind, "shunt", 100.0, "amps", 3000.0, size=3.0, other_channel="volts")
    clean = laid_over(SensorFault("offset", "shunt", 1e9, "amps"))
    whole = laid_over(fault)
    assert (whole[:100] == clean[:100]).all()
    assert (whole[3000:] == clean[3000:]).all()
    assert (whole[100:3000, 1] != clean[100:3000, 1]).any()
    assert (laid_over(fault, chunk=17) == whole).all()


def test_what_each_sensor_fault_does() -> None:
    def amps(kind: str, size: float = 0.0) -> np.ndarray:
        return laid_over(SensorFault(kind, "shunt", 100.0, "amps", size=size, other_channel="volts"))[100:, 1]

    clean = -np.arange(100.0, 4000.0)
    assert (amps("stuck") == -100.0).all()
    assert (amps("offset", 2.5) == clean + 2.5).all()
    assert (amps("sign_flip") == -clean).all()
    assert (amps("wrong_scale", 1.5) == 1.5 * clean).all()
    assert np.std(amps("noise", 2.0) - clean) == pytest.approx(2.0, rel=0.2)
    assert (amps("swapped_taps") > 49.0).all()
    struck = amps("spike", 40.0) != clean
    assert 5 < struck.sum() < 50


def test_dead_device_has_no_rows_in_history() -> None:
    fault = SensorFault("dead_device", "taps", 600.0, end_seconds=1800.0)
    site = SimulatedSite(cabin(), 1, [fault])
    (blocks,) = site.history(0, 3_600_000, 60.0)
    rows = {block.device: len(block.at_ms) for block in blocks}
    assert rows == {"shunt": 60, "taps": 40, "weather": 60}
    assert all(len(column) == rows[block.device] for block in blocks for column in block.counts)


@pytest.mark.parametrize("kind", BANK_FAULTS + SENSOR_FAULTS)
@pytest.mark.parametrize("name", SCENARIOS)
def test_seeded_faults_fit_every_scenario(name: str, kind: str) -> None:
    scenario = SCENARIOS[name](0)
    fault = seeded_fault(kind, scenario, 3, 60.0)
    assert fault == seeded_fault(kind, SCENARIOS[name](0), 3, 60.0)
    site = SimulatedSite(scenario, 1, [fault])
    assert sum(len(blocks) for blocks in site.history(0, 600_000, 60.0)) == len(scenario.devices())


def test_unknown_names_in_faults_are_refused() -> None:
    with pytest.raises(ValueError, match='bank "shed"'):
        SimulatedSite(cabin(), 1, [BankFault("weak_block", "shed", 0.0)])
    with pytest.raises(ValueError, match='device "scale"'):
        SimulatedSite(cabin(), 1, [SensorFault("stuck", "scale", 0.0, "volts")])
    with pytest.raises(ValueError, match='channel "block_9_volts"'):
        SimulatedSite(cabin(), 1, [SensorFault("stuck", "taps", 0.0, "block_9_volts")])
    with pytest.raises(ValueError, match='sensor fault "rust"'):
        SimulatedSite(cabin(), 1, [SensorFault("rust", "taps", 0.0, "block_1_volts")])
    with pytest.raises(ValueError, match='fault "rust"'):
        seeded_fault("rust", cabin(), 1, 0.0)
    with pytest.raises(ValueError, match='bank fault "rust"'):
        apply_bank_fault(BankFault("rust", "house", 0.0), make_model(), NONE)
