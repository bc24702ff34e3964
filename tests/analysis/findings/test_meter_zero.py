"""A zero that is off against a load that is new: what the balance from full to full tells."""

from __future__ import annotations

import json

import pytest
from fold_tools import bank
from frame_tools import START_MS, ground_of, limits_of, make_frame

from loggerd.analysis.findings.catalogue import Moment
from loggerd.analysis.findings.events import BecameFull
from loggerd.analysis.findings.meter_common import Facts, Looker
from loggerd.analysis.findings.meter_zero import Zero
from loggerd.analysis.frames import FRAME_MS
from loggerd.model.finding import Finding, Grade

BANK = bank()
RATED = BANK.rated_amp_hours
DAYS, LATER = 36, 18
WORK, REST, CHARGE = 96, 96, 96
"""Frames of a day: in use, at rest, on charge."""
IDLE, USE = -0.001, -0.05
GASSING = 0.01
"""Amp-hours a day that are charged above what was taken. All are shares of the rated amp-hours."""


def _day(extra_load: float, gas: float = GASSING) -> list[tuple[float, float]]:
    """Current and volts per cell. What was taken is charged again; while on charge, the charger feeds the load."""
    idle, use = IDLE - extra_load, USE - extra_load
    taken = -(WORK * use + REST * idle) / 12
    charge = (taken + gas) * 12 / CHARGE
    return [*[(use, 2.04)] * WORK, *[(idle, 2.09)] * REST, *[(charge, 2.4)] * CHARGE]


def _told(
    offset: float = 0.0,
    load: float = 0.0,
    until: int = DAYS,
    restarts: bool = False,
    gas: tuple[float, float] = (GASSING, GASSING),
    unread: int = 288,
    standing: float = 0.0,
) -> list[Finding]:
    """A new load, or an offset of the meter, from day LATER to day `until`; `gas` before and since; from the frame
    `unread` of each day on, the current is not read, but for the last one; `standing`: a load on all days."""
    ground, limits = ground_of(BANK), limits_of()
    looker, zero, found = Looker(ground), Zero(ground), []
    first = START_MS // FRAME_MS
    start = -first % 288
    for day in range(DAYS):
        since = LATER <= day < until
        for place, (rate, volts) in enumerate(_day(standing + (load if since else 0.0), gas[since])):
            position = start + day * 288 + place
            amps = (rate + (offset if since else 0.0)) * RATED
            if unread <= place < 287:
                amps = float("nan")
            frame = make_frame(BANK, position, amps, volts * BANK.cells_in_series)
            events = []
            if place == 287:
                events = [BecameFull(frame.end_ms, True, 0, 2.4, 1.0, None, None)]
            found += zero.push(looker.look(frame), Moment(frame, limits, list(events)), Facts(sign="right"))
        if restarts:
            state = json.loads(json.dumps(zero.to_plain(), allow_nan=False))
            zero = Zero(ground)
            zero.load_plain(state)
    return found


def test_a_discharge_that_is_never_charged_again_is_the_zero() -> None:
    told = [one for one in _told(offset=-0.003) if one.verdict == "offset"]
    assert len(told) == 1
    assert told[0].grade is Grade.OBSERVED
    assert told[0].value is not None
    assert told[0].low is not None
    assert told[0].high is not None
    assert told[0].low <= told[0].value <= told[0].high
    assert told[0].low <= -0.003 * RATED <= told[0].high
    assert told[0].at.at_ms < START_MS + (LATER + 10) * 86_400_000


def test_a_new_load_is_charged_again_and_is_no_zero() -> None:
    told = _told(load=0.003)
    assert [one.verdict for one in told if one.verdict == "offset"] == []
    assert "a small load, or the zero is off" in told[-1].reason


def test_a_wrong_zero_that_a_standing_load_makes_up_for_shows_in_the_balance() -> None:
    """It shows no more than 0.1 % at rest, and every hour that much too much is counted as charge."""
    told = _told(offset=0.004, standing=0.004)
    assert [one.verdict for one in told if one.verdict == "offset"] == ["offset"]
    assert told[-1].value == pytest.approx(0.004 * RATED, rel=0.05)


@pytest.mark.parametrize("change", [0.0015, -0.0015])
def test_a_load_that_comes_or_goes_with_a_season_of_more_or_less_gas_is_no_zero(change: float) -> None:
    """Less is charged above what is taken from the day on which a load comes; or more from the day on which it goes."""
    gas = (0.035, 0.005) if change > 0 else (0.005, 0.035)
    told = _told(load=change, gas=gas)
    assert [one.verdict for one in told if one.verdict == "offset"] == []


def test_a_stretch_in_which_the_current_is_not_read_is_no_account() -> None:
    told = _told(unread=WORK + REST + CHARGE - 24)
    assert [one.verdict for one in told if one.verdict == "offset"] == []


def test_a_zero_that_is_right_again_is_told() -> None:
    verdicts = [one.verdict for one in _told(offset=-0.003, until=LATER + 9)]
    assert "offset" in verdicts
    assert verdicts[-1] == "right"


def test_nothing_is_said_of_what_has_not_moved() -> None:
    assert {one.verdict for one in _told()} <= {"right", "cannot_tell"}


def test_restarts_change_nothing_of_the_balance() -> None:
    assert _told(offset=-0.003, restarts=True) == _told(offset=-0.003)


@pytest.mark.parametrize(("volts", "verdicts"), [(2.09, ["offset"]), (2.13, [])])
def test_a_little_charge_is_the_zero_only_where_no_charger_can_hold_the_bank(volts: float, verdicts: list[str]) -> None:
    """A charger that is set low holds a full bank at its rested voltage, day and night."""
    ground, limits = ground_of(BANK), limits_of()
    looker, zero, found = Looker(ground), Zero(ground), []
    for position in range(5 * 288):
        amps = 0.0 if position % 100 == 0 else 0.004 * RATED
        frame = make_frame(BANK, position, amps, volts * BANK.cells_in_series)
        found += zero.push(looker.look(frame), Moment(frame, limits, []), Facts(sign="right"))
    assert [one.verdict for one in found] == verdicts
