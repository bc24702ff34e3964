"""A bank of several instruments: strings with shunts of their own, slow voltmeters, settings with dates, pauses."""

from __future__ import annotations

import numpy as np
import pytest
from fold_tools import bank, block, of_ledger, plan, series, whole

from loggerd.analysis.axis import SessionAxis
from loggerd.analysis.fold import BankFold
from loggerd.model.bank import Accuracy, Series, SeriesScale
from loggerd.model.channels import parse_channel
from loggerd.model.ledger import Entry, LedgerName
from loggerd.model.marks import Mark

HOUR = 3_600_000


def _amps(at_ms: np.ndarray) -> np.ndarray:
    """60 Ah out in the second to fourth hour, 64 Ah back from the sixth on; milliamps."""
    hours = at_ms / HOUR
    return np.select([(hours > 1) & (hours <= 4), (hours > 5) & (hours <= 8.2)], [-20_000, 20_000], 0)


def _cycle(entries: list[Entry]) -> Entry:
    (cycle,) = of_ledger(entries, LedgerName.CYCLES)
    return cycle


def test_each_string_with_an_instrument_of_its_own() -> None:
    """The accuracy of a sum is that of its parts together: offsets of 0.1 and 0.3 A over 3 h are 1.2 Ah."""
    parts = {
        "string_1_amps": series("string_1_amps", Accuracy(0.0, 0.1), "one"),
        "string_2_amps": series("string_2_amps", Accuracy(0.0, 0.3), "two"),
    }
    fold = BankFold(plan(parts, bank(200.0, strings=2)))
    at_ms = np.arange(0, 10 * HOUR, 10_000)
    axis = SessionAxis(1, 0, interval_ms={"one": 10_000, "two": 10_000})
    first = block(at_ms + 1, [_amps(at_ms) * 6 // 10], "one", [0])
    second = block(at_ms, [_amps(at_ms) * 4 // 10], "two", [1])
    entries = whole([fold.push(axis, [first, second])], fold)

    figure = _cycle(entries).figure("discharge_amp_hours")
    assert figure.value == pytest.approx(60.0, abs=0.01)
    assert figure.high - figure.value == pytest.approx(1.2, rel=0.02)


def test_a_voltmeter_slower_than_the_shunt() -> None:
    channels = {"amps": series("amps", device="shunt"), "volts": series("volts", device="meter")}
    fold = BankFold(plan(channels, bank(200.0)))
    fast, slow = np.arange(0, 10 * HOUR, 1_000), np.arange(500, 10 * HOUR, 60_000)
    axis = SessionAxis(1, 0, interval_ms={"shunt": 1_000, "meter": 60_000})
    amps = block(fast, [_amps(fast)], "shunt", [0])
    volts = block(slow, [np.full(len(slow), 50_000) + np.arange(len(slow)) % 3], "meter", [1])
    entries = whole([fold.push(axis, [amps, volts])], fold)

    assert _cycle(entries).figure("discharge_watt_hours").value == pytest.approx(3000.0, rel=0.001)


def test_an_accuracy_holds_from_its_date_on() -> None:
    """A sensor that is said to be worse from the next day on does not widen the band of the day before."""
    day = 24 * HOUR
    scales = (
        SeriesScale(None, 1.0, 0.0, (-(10**9), 10**9), Accuracy(0.0, 0.05)),
        SeriesScale(day, 1.0, 0.0, (-(10**9), 10**9), Accuracy(0.0, 5.0)),
    )
    dated = Series("meter", "bank", parse_channel("amps"), "amps", 0.001, "", scales)
    fold = BankFold(plan({"amps": dated}, bank(200.0)))
    at_ms = np.arange(0, 2 * day, 10_000)
    axis = SessionAxis(1, 0, interval_ms={"meter": 10_000})
    entries = whole([fold.push(axis, [block(at_ms, [_amps(at_ms % day)])])], fold)

    first, second = (one.figure("discharge_amp_hours") for one in of_ledger(entries, LedgerName.CYCLES))
    assert first.high - first.value == pytest.approx(0.15, abs=0.06)
    assert second.high - second.value == pytest.approx(15.0, rel=0.02)


def test_a_pause_of_unknown_length_leaves_no_upper_bound() -> None:
    fold = BankFold(plan({"amps": series("amps")}, bank(200.0)))
    at_ms = np.arange(0, 3 * HOUR, 10_000)
    results = [fold.push(SessionAxis(1, 0, interval_ms={"meter": 10_000}), [block(at_ms, [_amps(at_ms)])])]
    after = np.arange(3 * HOUR, 10 * HOUR, 10_000)
    later = SessionAxis(2, 1, gap_unknown=True, interval_ms={"meter": 10_000})
    results.append(fold.push(later, [block(after, [_amps(after)])]))

    cycle = _cycle(whole(results, fold))
    out = cycle.figure("discharge_amp_hours")
    assert out.value == pytest.approx(60.0, abs=0.1)
    assert (out.low, out.high) == (None, None)
    assert "nobody knows" in out.reason
    for name in ("gap_seconds", "duration_seconds", "charge_factor"):
        assert cycle.figure(name).value is None
        assert "nobody knows" in cycle.figure(name).reason


def test_a_tap_logger_that_stayed_silent_is_marked_however_readings_are_grouped() -> None:
    channels = {"amps": series("amps", device="shunt"), "block_1_volts": series("block_1_volts", device="taps")}
    at_ms = np.arange(0, 4 * HOUR, 10_000)
    alive = at_ms[(at_ms < HOUR) | (at_ms >= 3 * HOUR)] + 1
    axis = SessionAxis(1, 0, interval_ms={"shunt": 10_000, "taps": 10_000})
    found = []
    for cuts in ([4 * HOUR + 1], [HOUR // 2, 2 * HOUR, 3 * HOUR + 10, 4 * HOUR + 1]):
        fold, marks, begin = BankFold(plan(channels, bank(200.0))), [], -1
        for cut in cuts:
            parts = []
            for number, (device, times) in enumerate((("shunt", at_ms), ("taps", alive))):
                own = times[(times > begin) & (times <= cut)]
                if len(own):
                    parts.append(block(own, [6_300 + own // 10_000 % 3], device, [number]))
            marks += fold.push(axis, parts).marks
            begin = cut
        marks += fold.view().marks
        found.append([(one.channel, Mark(one.mark), one.start.at_ms) for one in marks])

    assert found[0] == found[1] == [("taps", Mark.GAP_BEFORE, 3 * HOUR + 1)]
