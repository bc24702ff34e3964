"""Deep draws by counted amp-hours: told beyond doubt only, not against the voltage, and forgotten after four weeks."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from fold_tools import bank as small_bank
from frame_tools import Pipeline, ground_of, limits_of, make_frame, restarts_change_nothing

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.events import Capacity, SensorDoubt, SinceFull
from loggerd.analysis.findings.limits_topic import LimitsWatch
from loggerd.analysis.frames import FRAME_MS, Frame
from loggerd.model.bank import Accuracy
from loggerd.model.finding import Finding, Grade

BANK = small_bank(200.0, blocks=4, cells=6)
LIMITS = limits_of(BANK.type)
DAY = 288


class Drawn:
    """Stands in front of the topic and says what the count since full would say: a frame's current is its share drawn
    in percent, so that a restart changes nothing."""

    def __init__(self, ground: Ground) -> None:
        del ground

    def push(self, moment: Moment) -> list[Finding]:
        drawn = -moment.frame.amps / 100.0 * BANK.rated_amp_hours
        full_ms = moment.frame.end_ms - 10 * FRAME_MS
        gap_ms = 5 * 3_600_000 if moment.frame.celsius < 0.0 else 0
        moment.since_full = SinceFull(full_ms, True, drawn, 0.0, gap_ms)
        if moment.frame.celsius > 60.0:
            moment.events.append(SensorDoubt(moment.frame.end_ms, "amps", "meter.bypass", full_ms))
        if moment.frame.celsius == 55.0:
            holds = 0.7 * BANK.rated_amp_hours
            moment.events.append(Capacity(full_ms, "observed", holds, 0.95 * holds, 1.05 * holds, holds, 25.0, 20.0))
        return []

    def to_plain(self) -> dict[str, object]:
        return {}

    def load_plain(self, plain: dict[str, object]) -> None:
        del plain


def frame(position: int, percent: float, volts: float = 1.96, celsius: float = 25.0) -> Frame:
    return make_frame(BANK, position, -percent, 24 * volts, celsius=celsius)


def drawn(frames: Sequence[Frame], accuracy: Accuracy | None = None) -> list[Finding]:
    ground = ground_of(BANK, accuracy={} if accuracy is None else {"amps": accuracy})
    found = restarts_change_nothing(ground, LIMITS, [Drawn, LimitsWatch], list(frames))
    return [one for one in found if one.name == "limits.drawn"]


def test_what_may_still_be_right_within_the_rating_is_not_told() -> None:
    # 100 % of the rating with 20 % of doubt of the rating and 10 % of the count may be 78 %.
    assert drawn([frame(0, 100.0)]) == []


def test_a_draw_beyond_doubt_is_told_once_with_its_band() -> None:
    (told,) = drawn([frame(0, 100.0), frame(1, 108.0), frame(2, 110.0)])
    half = 100.0 * ((0.2 * 1.08) ** 2 + 0.1**2) ** 0.5
    assert (told.verdict, told.grade) == ("once", Grade.INFERRED)
    assert told.value == pytest.approx(108.0)
    assert (told.low, told.high) == (pytest.approx(108.0 - half), pytest.approx(108.0 + half))


def test_a_deeper_end_and_a_second_draw_are_told_and_four_weeks_later_none() -> None:
    frames = [frame(0, 108.0), frame(1, 120.0), frame(DAY, 110.0), frame(DAY + 1, 0.0), frame(30 * DAY, 0.0)]
    told = drawn(frames)
    assert [one.verdict for one in told] == ["once", "once", "repeatedly", "within"]
    assert told[2].value == pytest.approx(120.0)


def test_a_bank_that_stands_high_was_not_drawn_whatever_was_counted() -> None:
    assert drawn([frame(0, 150.0, volts=2.08)]) == []


def test_a_gap_or_a_doubt_of_the_current_takes_the_word_away() -> None:
    assert drawn([frame(0, 150.0, celsius=-1.0)]) == []
    told = drawn([frame(0, 120.0), frame(1, 120.0, celsius=61.0), frame(2, 120.0)])
    assert [one.verdict for one in told] == ["once", "within"]
    assert [one.verdict for one in drawn([frame(0, 0.0, celsius=61.0), frame(8 * DAY, 120.0)])] == ["once"]


def test_a_measured_capacity_stands_in_for_the_rating() -> None:
    (told,) = drawn([frame(0, 0.0, celsius=55.0), frame(1, 70.0)])
    assert told.grade is Grade.OBSERVED
    assert told.value == pytest.approx(100.0)
    assert "shown" in told.reason


def test_the_offset_of_the_sensor_over_the_time_since_full_widens_the_band() -> None:
    pipeline = Pipeline(ground_of(BANK, accuracy={"amps": Accuracy(offset=48.0)}), LIMITS, Drawn, LimitsWatch)
    assert pipeline.run([frame(0, 108.0)]) == []
