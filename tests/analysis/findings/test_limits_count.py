"""Deep draws by counted amp-hours: told beyond doubt only, not against the voltage, and forgotten after four weeks."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from fold_tools import bank as small_bank
from frame_tools import START_MS, ground_of, limits_of, make_frame, restarts_change_nothing

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.events import Capacity, DoubtEnded, SensorDoubt, SinceFull
from loggerd.analysis.findings.limits_topic import LimitsWatch
from loggerd.analysis.frames import DAY_MS, Frame
from loggerd.model.bank import Accuracy
from loggerd.model.finding import Finding, Grade

BANK = small_bank(200.0, blocks=4, cells=6)
LIMITS = limits_of(BANK.type)
DAY = 288
GAP, DOUBT, ENDED, MEASURED = -1.0, 61.0, 62.0, 55.0
"""Temperatures of a frame that stand for what the topics before would tell."""


class Drawn:
    """Stands in front of the topic and says what the topics before would: the air's temperature is the share drawn, in
    percent of the rating, since the bank was full at the beginning of the day, so that a restart changes nothing."""

    def __init__(self, ground: Ground) -> None:
        del ground

    def push(self, moment: Moment) -> list[Finding]:
        frame = moment.frame
        full_ms = START_MS + (frame.start_ms - START_MS) // DAY_MS * DAY_MS
        drawn = frame.ambient_celsius / 100.0 * BANK.rated_amp_hours
        moment.since_full = SinceFull(full_ms, True, drawn, 0.0, 5 * 3_600_000 if frame.celsius == GAP else 0)
        if frame.celsius == DOUBT:
            moment.events.append(SensorDoubt(frame.end_ms, "amps", "meter.bypass bypassed_load", full_ms))
        elif frame.celsius == ENDED:
            moment.events.append(DoubtEnded(frame.end_ms, "amps", "meter.bypass"))
        elif frame.celsius == MEASURED:
            holds = 0.7 * BANK.rated_amp_hours
            moment.events.append(Capacity(full_ms, "observed", holds, 0.9 * holds, 1.1 * holds, holds, 25.0, 20.0))
        return []

    def to_plain(self) -> dict[str, object]:
        return {}

    def load_plain(self, plain: dict[str, object]) -> None:
        del plain


def frame(position: int, percent: float, volts: float = 1.96, celsius: float = 25.0, amps: float = -1.0) -> Frame:
    return make_frame(BANK, position, amps, 24 * volts, celsius=celsius, ambient=percent)


def drawn(frames: Sequence[Frame], accuracy: Accuracy | None = None) -> list[Finding]:
    ground = ground_of(BANK, accuracy={} if accuracy is None else {"amps": accuracy})
    found = restarts_change_nothing(ground, LIMITS, [Drawn, LimitsWatch], list(frames))
    return [one for one in found if one.name == "limits.drawn"]


def words(frames: Sequence[Frame], accuracy: Accuracy | None = None) -> list[str]:
    return [one.verdict for one in drawn(frames, accuracy)]


def test_what_may_still_be_right_within_the_rating_is_not_told() -> None:
    # 100 % of the rating with 20 % of doubt of the rating and 10 % of the count may be 78 %.
    assert words([frame(0, 100.0)]) == []


def test_a_draw_beyond_doubt_is_told_once_with_its_band() -> None:
    (told,) = drawn([frame(0, 100.0), frame(1, 108.0), frame(2, 110.0)])
    half = 100.0 * ((0.2 * 1.08) ** 2 + 0.1**2) ** 0.5
    assert (told.verdict, told.grade) == ("once", Grade.INFERRED)
    assert told.value == pytest.approx(108.0)
    assert (told.low, told.high) == (pytest.approx(108.0 - half), pytest.approx(108.0 + half))


def test_a_deeper_end_and_a_second_draw_are_told_and_four_weeks_later_none() -> None:
    frames = [frame(0, 108.0), frame(200, 120.0), frame(DAY, 110.0), frame(DAY + 1, 0.0), frame(30 * DAY, 0.0)]
    told = drawn(frames)
    assert [one.verdict for one in told] == ["once", "once", "repeatedly", "within"]
    assert told[2].value == pytest.approx(120.0)


def test_one_draw_that_comes_and_goes_by_its_voltage_is_one() -> None:
    assert words([frame(0, 108.0), frame(100, 108.0, volts=2.05), frame(260, 108.0)]) == ["once"]


def test_a_bank_that_stands_high_was_not_drawn_whatever_was_counted() -> None:
    """What the load takes away by the bank's resistance is put back before that is asked."""
    assert words([frame(0, 150.0, volts=2.03)]) == []
    usual = (LIMITS["cell_ohm_amp_hours_low"] * LIMITS["cell_ohm_amp_hours_high"]) ** 0.5
    sag = 40.0 * usual / BANK.rated_amp_hours
    assert sag > 0.03
    assert words([frame(0, 150.0, volts=2.03 - sag, amps=-40.0)]) == []
    assert words([frame(0, 150.0, volts=1.96 - sag, amps=-40.0)]) == ["once"]


def test_a_gap_since_full_takes_the_word_away() -> None:
    assert words([frame(0, 150.0, celsius=GAP)]) == []


def test_with_the_current_in_doubt_it_cannot_be_told_until_the_doubt_has_ended() -> None:
    frames = [frame(0, 120.0), frame(1, 120.0, celsius=DOUBT), frame(9 * DAY, 120.0), frame(10 * DAY, 0.0)]
    assert words(frames) == ["once", "cannot_tell"]
    ended = [*frames, frame(10 * DAY + 1, 0.0, celsius=ENDED), frame(11 * DAY, 120.0)]
    assert words(ended) == ["once", "cannot_tell", "within", "once"]
    assert words([frame(0, 0.0, celsius=DOUBT), frame(9 * DAY, 120.0)]) == []


def test_a_measured_capacity_stands_in_for_the_rating() -> None:
    (told,) = drawn([frame(0, 0.0, celsius=MEASURED), frame(1, 70.0)])
    half = 100.0 * (0.1**2 + 0.1**2) ** 0.5
    assert told.grade is Grade.OBSERVED
    assert (told.value, told.low) == (pytest.approx(100.0), pytest.approx(100.0 - half))
    assert "shown" in told.reason


@pytest.mark.parametrize("accuracy", [Accuracy(offset=5.0), Accuracy(gain=0.2)])
def test_what_the_sensor_can_be_wrong_by_widens_the_band(accuracy: Accuracy) -> None:
    """Over the twenty hours since full; and as a share of what was drawn."""
    assert words([frame(240, 108.0)]) == ["once"]
    assert words([frame(240, 108.0)], accuracy) == []
