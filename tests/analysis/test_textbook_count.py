"""A coulomb count by hand, as a textbook does it: hours times amps, and the plain ratios."""

from __future__ import annotations

import numpy as np
import pytest
from fold_tools import bank, fold_arrays, of_ledger

from loggerd.model.ledger import LedgerName


def test_five_hours_out_and_seven_back() -> None:
    """10 A for 5 h at 48 V out; 8 A for 7 h at 54 V back; by hand:

    50 Ah and 2400 Wh out, 56 Ah and 3024 Wh in: charge factor 1.12, amp-hour efficiency 0.892857, watt-hour
    efficiency 0.793651; on a bank of 200 Ah a depth of 0.25.
    """
    t = np.arange(0, 15 * 3600, 10.0)
    hours = t / 3600
    amps = np.select([hours <= 1, hours <= 6, hours <= 7, hours <= 14], [0.0, -10.0, 0.0, 8.0], 0.0)
    volts = np.select([hours <= 1, hours <= 6, hours <= 7, hours <= 14], [50.0, 48.0, 49.0, 54.0], 52.0)
    entries = fold_arrays(t, amps, volts, bank(200.0))

    cycle = of_ledger(entries, LedgerName.CYCLES)[0]
    assert cycle.figure("discharge_amp_hours").value == pytest.approx(50.0, abs=1e-9)
    assert cycle.figure("charge_amp_hours").value == pytest.approx(56.0, abs=1e-9)
    assert cycle.figure("discharge_watt_hours").value == pytest.approx(2400.0, abs=1e-6)
    assert cycle.figure("charge_watt_hours").value == pytest.approx(3024.0, abs=1e-6)
    assert cycle.figure("charge_factor").value == pytest.approx(1.12, abs=1e-9)
    assert cycle.figure("amp_hour_efficiency").value == pytest.approx(0.892857, abs=1e-6)
    assert cycle.figure("watt_hour_efficiency").value == pytest.approx(0.793651, abs=1e-6)
    assert cycle.figure("depth_of_discharge").value == pytest.approx(0.25, abs=1e-9)
    assert cycle.figure("end_of_charge_amps").value == pytest.approx(8.0)
    assert cycle.figure("minimum_volts").value == 48.0
    assert cycle.figure("maximum_volts").value == 54.0
    kinds = [(phase.kind, phase.complete) for phase in of_ledger(entries, LedgerName.PHASES)]
    assert kinds == [("rest", True), ("discharge", True), ("rest", True), ("charge", True), ("rest", False)]


def test_offset_band_of_a_day() -> None:
    """An offset of 0.1 A is 2.4 Ah in a day (handbook arithmetic); the band must be at least that wide on each side."""
    t = np.arange(0, 24 * 3600 + 10, 10.0)
    entries = fold_arrays(t, np.full(len(t), -20.0), np.full(len(t), 48.0), bank(600.0), gain=0.0, offset=0.1)
    figure = of_ledger(entries, LedgerName.PHASES)[0].figure("amp_hours")
    assert figure.value == pytest.approx(480.0, abs=0.06)
    assert figure.low == pytest.approx(480.0 - 2.4, abs=0.1)
    assert figure.high == pytest.approx(480.0 + 2.4, abs=0.1)


def test_gain_cancels_in_the_charge_factor_and_offset_does_not() -> None:
    t = np.arange(0, 12 * 3600, 10.0)
    amps = np.where(t <= 5 * 3600, -10.0, 9.0)
    by_gain = fold_arrays(t, amps, np.full(len(t), 50.0), bank(200.0), gain=0.05, offset=0.0)
    by_offset = fold_arrays(t, amps, np.full(len(t), 50.0), bank(200.0), gain=0.0, offset=0.1)

    def width(entries: list) -> float:
        figure = of_ledger(entries, LedgerName.CYCLES)[0].figure("charge_factor")
        return figure.high - figure.low

    # u(factor) = factor x offset x (hours in / Ah in + hours out / Ah out), by hand 1.26 x 0.1 x (1/9 + 1/10)
    assert width(by_offset) == pytest.approx(2 * 1.26 * 0.1 * (1 / 9 + 1 / 10), rel=0.03)
    assert width(by_gain) < 0.01
