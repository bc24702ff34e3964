"""Which series measure current, charge and voltage; counters and their resets; voltages of another device."""

from __future__ import annotations

import json

import numpy as np
import pytest
from day_tools import fold_columns, load
from fold_tools import bank, of_ledger, series

from loggerd.analysis.lead import CounterReader, Hold, choose_lead, total
from loggerd.model.channels import MISSING
from loggerd.model.ledger import LedgerName
from loggerd.model.marks import Mark


def _array(*values: int) -> np.ndarray:
    return np.array(values, dtype=np.int64)


def _choice(*where: tuple[str, str], strings: int = 1) -> tuple[object, ...] | None:
    made = {number: series(channel, device=device) for number, (device, channel) in enumerate(where)}
    choice = choose_lead(bank(strings=strings), made)
    if choice is None:
        return None
    names = [tuple(one.channel.name for one in chosen) for chosen in (choice.amps, choice.counters)]
    return (choice.device, names[0], choice.averaged, names[1], choice.volts.device if choice.volts else None)


def test_an_averaged_current_comes_before_a_plain_one_and_that_before_strings() -> None:
    everything = [("a", "string_1_amps"), ("a", "string_2_amps"), ("b", "amps"), ("c", "mean_amps")]
    assert _choice(*everything, strings=2) == ("c", ("mean_amps",), True, (), None)
    assert _choice(*everything[:3], strings=2) == ("b", ("amps",), False, (), None)
    assert _choice(*everything[:2], strings=2) == ("a", ("string_1_amps", "string_2_amps"), False, (), None)
    assert _choice(everything[0], strings=2) is None
    apart = [("b", "string_1_amps"), ("a", "string_2_amps"), ("a", "volts")]
    assert _choice(*apart, strings=2) == ("b", ("string_1_amps", "string_2_amps"), False, (), "a")
    assert _choice(("a", "volts")) is None


def test_a_counter_counts_if_it_is_on_the_same_device() -> None:
    assert _choice(("a", "amps"), ("a", "net_amp_hours"))[3] == ("net_amp_hours",)
    assert _choice(("a", "amps"), ("b", "net_amp_hours"))[3] == ()
    assert _choice(("a", "amps"), ("a", "charged_amp_hours"))[3] == ()
    both = [("a", "charged_amp_hours"), ("a", "discharged_amp_hours")]
    assert _choice(("a", "amps"), *both)[3] == ("charged_amp_hours", "discharged_amp_hours")
    assert _choice(("a", "amps"), *both, ("a", "net_amp_hours"))[3] == ("net_amp_hours",)


def test_the_voltage_of_the_same_device_is_preferred() -> None:
    assert _choice(("b", "amps"), ("a", "volts"), ("b", "volts"))[4] == "b"
    assert _choice(("b", "amps"), ("c", "volts"), ("a", "volts"))[4] == "a"


def test_a_sum_is_missing_where_one_part_is() -> None:
    assert total([_array(1, 2, MISSING), _array(10, MISSING, MISSING)]).tolist() == [11, MISSING, MISSING]
    column = _array(1)
    assert total([column]) is column


def _steps(
    reader: CounterReader, at_ms: list[int], *counters: list[int], pieces: int = 1, milliamps: int = 3_000
) -> tuple[list[int], list[int]]:
    steps: list[int] = []
    resets: list[int] = []
    for part in np.array_split(np.arange(len(at_ms)), pieces):
        if len(part):
            current = np.full(len(part), milliamps)
            one, reset = reader.push(_array(*at_ms)[part], [_array(*counter)[part] for counter in counters], current)
            steps += one.tolist()
            resets += reset.tolist()
            reader.load_plain(json.loads(json.dumps(reader.to_plain())))
    return steps, resets


RATED = 100_000
MINUTES = [0, 60_000, 120_000, 180_000, 240_000]


@pytest.mark.parametrize("pieces", [1, 2, 5])
@pytest.mark.parametrize(
    ("counter", "steps", "resets"),
    [
        ([100, 150, 120, 120, 500], [MISSING, 50, -30, 0, 380], []),
        # 60 A can't move more than 1200 mAh in a minute (1000 and a margin of 200)
        ([5_000, 5_100, 0, 50, 1_251], [MISSING, 100, MISSING, 50, MISSING], [120_000, 240_000]),
        # without the reading between, the next step would be that of two intervals
        ([100, MISSING, 200, 210, MISSING], [MISSING, MISSING, MISSING, 10, MISSING], []),
        ([MISSING, MISSING, 200, 210, 220], [MISSING, MISSING, MISSING, 10, 10], []),
        ([MISSING] * 5, [MISSING] * 5, []),
    ],
)
def test_a_net_counter(counter: list[int], steps: list[int], resets: list[int], pieces: int) -> None:
    assert _steps(CounterReader(60_000, RATED, False), MINUTES, counter, pieces=pieces) == (steps, resets)


@pytest.mark.parametrize(("milliamps", "reset"), [(3_000, True), (30_000, False)])
def test_a_return_to_nothing_is_a_reset_unless_the_current_explains_it(milliamps: int, reset: bool) -> None:
    """From 500 mAh to nothing in a minute: 30 A. Twice 3 A and a twentieth of 100 A, and 200 mAh, do not reach it."""
    steps, resets = _steps(CounterReader(60_000, RATED, False), MINUTES[:3], [500, 500, 0], milliamps=milliamps)
    assert (steps[2] == MISSING) == reset
    assert resets == ([120_000] if reset else [])


def test_over_a_long_gap_the_counter_is_not_used() -> None:
    at_ms = [0, 600_000, 1_200_001]
    assert _steps(CounterReader(60_000, RATED, False), at_ms, [0, 500, 1_000])[0] == [MISSING, 500, MISSING]


@pytest.mark.parametrize("pieces", [1, 2, 5])
def test_two_counters_that_only_go_up(pieces: int) -> None:
    charged, discharged = [10, 20, 20, 0, 7], [5, 5, 45, 45, 48]
    assert _steps(CounterReader(60_000, RATED, True), MINUTES, charged, discharged, pieces=pieces) == (
        [MISSING, 10, -40, MISSING, 4],
        [180_000],
    )


def test_the_count_is_preferred_and_a_reset_falls_back_to_the_current() -> None:
    """The shunt shows 10.0 A, its counter 10.2 A: 20.4 Ah in 2 h, but for the minute of the reset: 0.167 Ah at 10 A."""
    at_ms, milliamps = load([(-10.0, 2.0)], interval_ms=60_000)
    counter = -170 * np.arange(len(at_ms))
    counter[60:] += 10_200
    entries, marks = fold_columns(
        {"amps": (at_ms, milliamps), "net_amp_hours": (at_ms, counter)},
        interval_ms=60_000,
        valid={"amps": (-100_000, 100_000)},
    )
    (phase,) = of_ledger(entries, LedgerName.PHASES)
    assert phase.figure("amp_hours").value == pytest.approx(119 * 0.17 + 10 / 60, abs=1e-9)
    assert [(one.channel, Mark(one.mark), one.start.at_ms, one.readings) for one in marks] == [
        ("net_amp_hours", Mark.COUNTER_RESET, 3_600_000, 1)
    ]


def test_an_averaged_current_catches_what_single_readings_miss() -> None:
    """A load of 40 A for a quarter of each minute, averaged by the instrument: 10 A, whatever the instant shows."""
    at_ms = np.arange(0, 7_200_001, 60_000)
    entries, _ = fold_columns(
        {"mean_amps": (at_ms, np.full(len(at_ms), -10_000)), "amps": (at_ms, np.full(len(at_ms), -40_000))},
        interval_ms=60_000,
    )
    (phase,) = of_ledger(entries, LedgerName.PHASES)
    assert phase.figure("amp_hours").value == pytest.approx(20.0)


def test_strings_are_added_up() -> None:
    at_ms, milliamps = load([(-10.0, 2.0)])
    entries, _ = fold_columns(
        {"string_1_amps": (at_ms, milliamps), "string_2_amps": (at_ms, milliamps * 2)}, bank(100.0, strings=2)
    )
    assert of_ledger(entries, LedgerName.PHASES)[0].figure("amp_hours").value == pytest.approx(60.0)


def test_a_voltage_of_another_device_holds_for_a_while() -> None:
    hold = Hold(limit_ms=5_000)
    assert hold.at(_array(1, 2), _array(), _array()).tolist() == [MISSING, MISSING]
    at_ms, values = _array(1_000, 2_000, 3_000), _array(48_000, MISSING, 50_000)
    times = _array(999, 1_000, 2_500, 3_000, 8_000, 8_001)
    expected = [MISSING, 48_000, 48_000, 50_000, 50_000, MISSING]
    assert hold.at(times, at_ms, values).tolist() == expected
    hold.keep(at_ms, values)
    hold.keep(_array(4_000), _array(MISSING))
    resumed = Hold(limit_ms=5_000)
    resumed.load_plain(json.loads(json.dumps(hold.to_plain())))
    assert resumed.at(_array(3_500, 8_000, 8_001), _array(), _array()).tolist() == [50_000, 50_000, MISSING]


def test_energy_with_the_voltage_of_another_device() -> None:
    """48 V read every 7 s by one device, 10 A every 10 s by another: 960 Wh in 2 h."""
    at_ms, milliamps = load([(-10.0, 2.0)])
    other = np.arange(-7_000, 7_200_000, 7_000)
    entries, _ = fold_columns({"amps": (at_ms, milliamps), "volts": (other, np.full(len(other), 48_000))})
    assert of_ledger(entries, LedgerName.PHASES)[0].figure("watt_hours").value == pytest.approx(960.0)
