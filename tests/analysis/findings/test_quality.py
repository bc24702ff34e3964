"""The grade of the readings: it falls with what is missing, doubted or not stated, and says so in words."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from fold_tools import bank
from frame_tools import START_MS, bank_plan, findings_of, ground_of, limits_of, make_frame

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.events import DoubtEnded, Event, SensorDoubt
from loggerd.analysis.findings.quality import DAY_MS, QualityWatch
from loggerd.analysis.frames import FRAME_MS, Frame
from loggerd.model.bank import Accuracy
from loggerd.model.finding import Finding, Grade, Quality
from loggerd.model.ledger import Instant
from loggerd.model.marks import Mark

LIMITS = limits_of()
STATED = {"amps": Accuracy(0.005, 0.1, 0.05, 0.001)}
FIRST = -(START_MS // FRAME_MS) % 288
"""Position of the first frame of a day."""


def _ground() -> Ground:
    return ground_of(accuracy=STATED)


def _days(count: int, covered: float = 1.0, begin: int = 0) -> list[Frame]:
    return [
        make_frame(bank(), FIRST + 288 * begin + place, -5.0, 50.0, covered_ms=round(FRAME_MS * covered))
        for place in range(288 * count)
    ]


def _finding(frame: Frame, days: float, name: str = "rest.of_a_test", subject: str = "bank") -> Finding:
    at = Instant(1, frame.end_ms)
    start = Instant(1, frame.end_ms - round(days * DAY_MS))
    return Finding(name, subject, "any", Grade.OBSERVED, "", at, evidence=((start, at),))


def _run(watch: QualityWatch, frames: list[Frame], events: list[Event] | None = None) -> list[Finding]:
    found = []
    for frame in frames:
        moment = Moment(frame, LIMITS)
        found.extend(watch.push(moment))
        moment.events.extend(events or [])
        events = None
    return found


@pytest.mark.parametrize(
    ("covered", "grade"), [(1.0, Quality.GOOD), (0.97, Quality.GOOD), (0.8, Quality.FAIR), (0.5, Quality.POOR)]
)
def test_the_grade_falls_with_readings_that_are_missing(covered: float, grade: Quality) -> None:
    watch = QualityWatch(_ground())
    frames = _days(2, covered)
    _run(watch, frames)
    stamped = watch.stamp(_finding(frames[-1], 1.0))
    assert stamped.quality is grade
    assert ("without readings" in stamped.quality_reason) == (grade is not Quality.GOOD)


def test_only_the_days_of_the_evidence_count_and_the_worst_span() -> None:
    watch = QualityWatch(_ground())
    frames = [*_days(1, 0.4), *_days(2, begin=1)]
    _run(watch, frames)
    assert watch.stamp(_finding(frames[-1], 0.9)).quality is Quality.GOOD
    at = Instant(1, frames[-1].end_ms)
    first = (Instant(1, frames[0].start_ms), Instant(1, frames[287].end_ms))
    both = replace(_finding(frames[-1], 0.9), evidence=((Instant(1, at.at_ms - 3_600_000), at), first))
    stamped = watch.stamp(both)
    assert stamped.quality is Quality.POOR
    assert "60%" in stamped.quality_reason.replace(" ", "")


def test_a_long_gap_counts_as_time_without_readings() -> None:
    watch = QualityWatch(_ground())
    frames = _days(1)
    late = make_frame(bank(), FIRST + 288 * 4 - 1, -5.0, 50.0, missed=288 * 3 - 1)
    _run(watch, [*frames, late])
    stamped = watch.stamp(_finding(late, 3.5))
    assert stamped.quality is Quality.POOR
    plain = watch.to_plain()
    assert [day[1] for day in plain["days"]] == [DAY_MS] * 4


def test_marked_readings_and_an_unset_clock_make_it_fair() -> None:
    marks = {("amps", Mark.OUT_OF_RANGE): 100, ("meter", Mark.CLOCK_NOT_SET): 300}
    watch = QualityWatch(_ground())
    frames = [make_frame(bank(), FIRST + place, -5.0, 50.0, marks=marks) for place in range(288)]
    _run(watch, frames)
    stamped = watch.stamp(_finding(frames[-1], 0.5))
    assert stamped.quality is Quality.FAIR
    assert "doubted" in stamped.quality_reason
    assert "clock" in stamped.quality_reason


def test_amp_hours_are_at_best_fair_where_the_accuracy_of_the_current_is_not_stated() -> None:
    watch = QualityWatch(ground_of())
    frames = _days(1)
    _run(watch, frames)
    assert watch.stamp(_finding(frames[-1], 0.5)).quality is Quality.GOOD
    stamped = watch.stamp(_finding(frames[-1], 0.5, "capacity.of_a_test"))
    assert stamped.quality is Quality.FAIR
    assert "not stated" in stamped.quality_reason


def test_a_sensor_in_doubt_makes_what_rests_on_it_poor_until_the_doubt_ends() -> None:
    watch = QualityWatch(_ground())
    frames = _days(1)
    doubt = SensorDoubt(frames[0].end_ms, "block_2_volts", "meter.taps mirror", frames[0].start_ms)
    _run(watch, frames[:100], [doubt])
    assert watch.stamp(_finding(frames[99], 0.2, "blocks.of_a_test", "block 1")).quality is Quality.POOR
    assert watch.stamp(_finding(frames[99], 0.2, "resistance.of_a_test", "link 2")).quality is Quality.POOR
    assert watch.stamp(_finding(frames[99], 0.2, "rest.of_a_test")).quality is Quality.GOOD
    assert watch.stamp(_finding(frames[99], 0.2, "meter.of_a_test", "block 2")).quality is Quality.GOOD
    _run(watch, frames[100:], [DoubtEnded(frames[100].end_ms, "block_2_volts", "meter.taps")])
    assert watch.stamp(_finding(frames[-1], 0.2, "blocks.of_a_test", "block 1")).quality is Quality.GOOD


def test_a_doubt_of_this_frame_counts_at_once_and_outlives_a_restart() -> None:
    watch = QualityWatch(_ground())
    frames = _days(1)
    _run(watch, frames, None)
    moment = Moment(make_frame(bank(), FIRST + 288, -5.0, 50.0), LIMITS)
    watch.push(moment)
    moment.events.append(SensorDoubt(moment.frame.end_ms, "amps", "meter.current_sign reversed", frames[0].start_ms))
    plain = json.loads(json.dumps(watch.to_plain()))
    assert watch.stamp(_finding(moment.frame, 0.2, "capacity.of_a_test")).quality is Quality.POOR
    other = QualityWatch(_ground())
    other.load_plain(plain)
    later = make_frame(bank(), FIRST + 289, -5.0, 50.0)
    _run(other, [later])
    assert "amps is in doubt" in other.stamp(_finding(later, 0.2, "capacity.of_a_test")).quality_reason


def test_the_record_is_told_once_a_day_and_only_when_it_changes() -> None:
    watch = QualityWatch(_ground())
    found = _run(watch, [*_days(3), *_days(7, 0.8, begin=3), *_days(9, begin=10)])
    assert [one.verdict for one in found] == ["good", "fair", "good"]
    assert found[0].value == pytest.approx(100.0)
    assert all(one.at.at_ms % DAY_MS == 0 for one in found)


def test_the_record_of_days_is_bounded_and_restarts_change_nothing() -> None:
    frames = [make_frame(bank(), FIRST + 96 * place, -5.0, 50.0, missed=95 if place else 0) for place in range(600)]
    straight, restarted = QualityWatch(_ground()), QualityWatch(_ground())
    _run(straight, frames)
    for frame in frames:
        _run(restarted, [frame])
        plain = json.loads(json.dumps(restarted.to_plain(), allow_nan=False))
        restarted = QualityWatch(_ground())
        restarted.load_plain(plain)
    assert restarted.to_plain() == straight.to_plain()
    assert len(straight.to_plain()["days"]) == 120


def test_dropping_a_fifth_of_the_readings_makes_the_grade_fall_in_the_whole_fold() -> None:
    minutes = 3 * 1440
    at = START_MS + 60_000 * np.arange(minutes, dtype=np.int64)
    rng = np.random.default_rng(3)
    amps = np.where(np.arange(minutes) % 1440 < 720, -10.0, 10.0) + rng.normal(0, 0.02, minutes)
    columns = {"amps": amps, "volts": 50.0 + 0.05 * amps}
    plan = bank_plan(bank(), ["amps", "volts"])
    keep = np.sort(rng.permutation(minutes)[: minutes * 4 // 5])
    verdicts = []
    for rows in (np.arange(minutes), keep):
        part = {name: values[rows] for name, values in columns.items()}
        record = [one for one in findings_of(plan, at[rows], part) if one.name == "quality.record"]
        verdicts.append(record[-1].verdict)
    assert verdicts == ["good", "fair"]
