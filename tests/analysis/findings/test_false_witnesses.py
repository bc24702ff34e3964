"""What looks like a fault and is none: surface charge, a fading charger, gas at the end of a charge; and one tap's
jump, which no battery makes."""

from __future__ import annotations

from fold_tools import bank as small_bank
from frame_tools import START_MS, Pipeline, ground_of, limits_of, make_frame

from loggerd.analysis.findings.acid_rests import AcidRests
from loggerd.analysis.findings.catalogue import Moment
from loggerd.analysis.findings.events import Rested
from loggerd.analysis.findings.full_charge_returns import returned_in_full
from loggerd.analysis.findings.meter import Meter
from loggerd.analysis.findings.meter_common import Facts, Looker
from loggerd.analysis.findings.meter_zero import Zero
from loggerd.model.bank import Accuracy
from loggerd.model.finding import Finding

SMALL = small_bank(200.0, blocks=4, cells=3)
LIMITS = limits_of()
HOUR = 12


def rested(grade: str, state: float) -> Rested:
    return Rested(START_MS, START_MS, 0.5, 2.1, 0.03, grade, 0.0, 25.0, (None,) * 4, "charge", "proven", state, 0.2)


def test_short_rests_after_a_full_charge_tell_nothing_of_the_acid() -> None:
    """Half an hour after a charge the voltage is that of the surface: 72 % and 51 % were both read of a sound bank."""
    rests = AcidRests()
    for state in (0.72, 0.51, 0.5, 0.52):
        rests.add(rested("C", state), 1, None)
    assert rests.when_full() is None

    for state in (0.98, 0.97, 0.99):
        rests.add(rested("B", state), 1, None)
    known = rests.when_full()
    assert known is not None
    assert known[:2] == (0.98, 0.98)


def test_more_came_back_than_a_bank_needs_that_is_not_full() -> None:
    """Charge factor of 1.2 (`charge_factor_high`): 40 Ah for 200 Ah; what the zero can be wrong by is left out."""
    assert returned_in_full(-80.0, 200.0, 5.0, LIMITS)
    assert not returned_in_full(-30.0, 200.0, 5.0, LIMITS)
    assert not returned_in_full(-44.0, 200.0, 5.0, LIMITS)
    assert not returned_in_full(20.0, 200.0, 5.0, LIMITS)


def offsets(after_hours: int) -> list[str]:
    """Each day a charge, and some hours after it, for three hours, 0.3 A of "charge" at a falling voltage."""
    ground = ground_of(SMALL, {"amps": Accuracy(0.005, 0.05, 0.01, 0.001)})
    zero, looker, found = Zero(ground), Looker(ground), list[Finding]()
    for day in range(4):
        for position in range(288):
            since = position - 8 * HOUR
            if 0 <= since < 2 * HOUR:
                amps, volts = 20.0, 28.0
            elif since >= (2 + after_hours) * HOUR and since < (5 + after_hours) * HOUR:
                amps, volts = 0.3, 25.6 - 0.001 * (since - 2 * HOUR)
            else:
                amps, volts = -6.0, 24.8
            frame = make_frame(SMALL, day * 288 + position, amps, volts)
            found += zero.push(looker.look(frame), Moment(frame, LIMITS), Facts(sign="right"))
    return [one.verdict for one in found]


def test_a_fading_charger_is_not_taken_for_the_zero_of_the_meter() -> None:
    assert "offset" not in offsets(0)
    assert "offset" in offsets(4)


def test_a_tap_that_moves_by_itself_is_told_though_its_sum_is_still_within_what_is_stated() -> None:
    """0.08 V of one block: the bank's voltage does not go along. Moved together, they accuse nobody."""
    for alone in (True, False):
        found, pipeline = list[Finding](), Pipeline(ground_of(SMALL), LIMITS, Meter)
        for position in range(4 * 288):
            apart = 0.08 if position >= 2 * 288 else 0.0
            blocks = [6.16, 6.15 + apart, 6.15, 6.14]
            whole = 24.6 if alone else sum(blocks)
            found += pipeline.run([make_frame(SMALL, position, -1.0 - 0.1 * (position % 9), whole, block_volts=blocks)])
            if position % 90 == 0:
                pipeline.restart()
        told = [(one.at.at_ms, one.verdict) for one in found if one.name == "meter.taps"]
        assert [verdict for _, verdict in told if verdict == "sum_off"] == (["sum_off"] if alone else [])
        assert all(at_ms > START_MS + 2 * 288 * 300_000 for at_ms, verdict in told if verdict == "sum_off")
