"""How good the readings were that a finding rests on: a grade for each, in words, from a record of days.

A day's record: how much of it readings of the current cover, how many readings were doubted, whether the clock was set,
pauses of unknown length. Beside it stand the sensors that are in doubt, and what is not known of the meter's accuracy.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

from loggerd.analysis.findings.catalogue import FindingSpec, Ground, Moment, Verdict
from loggerd.analysis.findings.doubts import rests_on
from loggerd.analysis.findings.events import DoubtEnded, SensorDoubt
from loggerd.analysis.frames import DAY_MS, FRAME_MS, Frame
from loggerd.model.bank import Accuracy
from loggerd.model.finding import Finding, Grade, Quality
from loggerd.model.ledger import Figure, Instant
from loggerd.model.marks import Mark

_KEPT_DAYS = 120
_WEEK_DAYS = 7
_ORDER = {Quality.GOOD: 0, Quality.FAIR: 1, Quality.POOR: 2}
_SELF = ("meter", "quality")
"""What speaks of the sensors themselves is not doubted for them."""
AMP_HOUR_TOPICS = ("capacity", "full_charge", "trends", "heat")
"""Topics whose figures rest on counted amp-hours."""

SPECS: tuple[FindingSpec, ...] = (
    FindingSpec(
        "quality.record",
        "%",
        0,
        "How much of the last seven days is covered by readings of the current, and how many of them are doubted. Every"
        " finding carries a grade of its own, from the days that it rests on.",
        "own; limits are own choice",
        (
            Verdict("good", "The record of the last week is good: {value} of the time is covered."),
            Verdict(
                "fair",
                "The record of the last week has gaps or doubted readings: {value} of the time is covered.",
                15,
                "gaps in the record",
                "Look at the supply and the cable of the instrument, and at loggerd's own messages.",
            ),
            Verdict(
                "poor",
                "The record of the last week is poor: {value} of the time is covered. Findings rest on little.",
                30,
                "gaps in the record",
                "Look at the supply and the cable of the instrument, and at loggerd's own messages.",
            ),
        ),
    ),
)


@dataclass
class _Day:
    """`number` since 1970; `span_ms`: time from its first frame to its last, with gaps; `covered_ms` of it with a
    current; `readings`, `marked`: of the current and of all channels; `unset`: frames without a set clock; `pauses` of
    unknown length."""

    number: int
    span_ms: int = 0
    covered_ms: int = 0
    readings: int = 0
    marked: int = 0
    unset: int = 0
    pauses: int = 0

    def to_plain(self) -> list[int]:
        return [self.number, self.span_ms, self.covered_ms, self.readings, self.marked, self.unset, self.pauses]


@dataclass
class _State:
    days: list[_Day] = field(default_factory=list)
    doubts: dict[str, list[Any]] = field(default_factory=dict)
    """By channel and what is said of it: channel, words, since when [ms]."""
    said: str = ""


class QualityWatch:
    """Goes before all topics with each frame, and stamps what they found after them."""

    def __init__(self, ground: Ground) -> None:
        self._accuracy = ground.accuracy.get("amps", Accuracy())
        self._channels = max(1, len(ground.channels))
        self._state = _State()
        self._moment: Moment | None = None
        self._taken = 0

    def push(self, moment: Moment) -> list[Finding]:
        """Takes the frame into the record; a finding when the week before has another verdict than the last one."""
        if self._moment is not None and len(self._moment.events) > self._taken:
            self._take_doubts()
        self._moment, self._taken = moment, 0
        frame, days = moment.frame, self._state.days
        newest = days[-1].number if days else -1
        if frame.missed > 0:
            self._spread_gap(frame)
        number = frame.start_ms // DAY_MS
        day = days[-1] if number == newest else self._day(number)
        found = self._tell(moment) if day.number > newest else []
        day.span_ms += FRAME_MS
        day.covered_ms += frame.covered_ms
        day.readings += sum(frame.count_list)
        day.pauses += frame.after_unknown
        if frame.marks:
            day.marked += sum(count for (_, mark), count in frame.marks.items() if mark is not Mark.GAP_BEFORE)
            day.unset += any(mark is Mark.CLOCK_NOT_SET for _, mark in frame.marks)
        return found

    def _day(self, number: int) -> _Day:
        days = self._state.days
        if not days or days[-1].number < number:
            days.append(_Day(number))
            del days[:-_KEPT_DAYS]
        return days[-1]

    def _spread_gap(self, frame: Frame) -> None:
        """Time without frames before this one, each day its part."""
        end = frame.start_ms
        start = max(end - frame.missed * FRAME_MS, end - _KEPT_DAYS * DAY_MS)
        days = {day.number: day for day in self._state.days}
        for number in range(start // DAY_MS, (end - 1) // DAY_MS + 1):
            part = min(end, (number + 1) * DAY_MS) - max(start, number * DAY_MS)
            days.setdefault(number, _Day(number)).span_ms += part
        self._state.days = [days[number] for number in sorted(days)][-_KEPT_DAYS:]

    def _tell(self, moment: Moment) -> list[Finding]:
        """At the first frame of a day: the verdict on the seven days before it."""
        today = moment.frame.start_ms // DAY_MS
        week = [day for day in self._state.days if today - _WEEK_DAYS <= day.number < today]
        if sum(day.span_ms for day in week) < DAY_MS // 2:
            return []
        quality, reason = self._judge(week, moment)
        if quality.value == self._state.said:
            return []
        self._state.said = quality.value
        span, covered = sum(day.span_ms for day in week), sum(day.covered_ms for day in week)
        session, first = moment.frame.session, min(day.number for day in week)
        start, end = Instant(session, first * DAY_MS), Instant(session, moment.frame.start_ms)
        details = (
            Figure("days", float(len(week))),
            Figure("marked_share", 100.0 * sum(day.marked for day in week) / max(1, sum(day.readings for day in week))),
        )
        return [
            Finding(
                "quality.record",
                "bank",
                quality.value,
                Grade.OBSERVED,
                reason or "readings cover the time",
                end,
                100.0 * covered / span,
                evidence=((start, end),),
                details=details,
            )
        ]

    @staticmethod
    def _judge(days: list[_Day], moment: Moment) -> tuple[Quality, str]:
        """Grade of these days taken together, and why it is not good."""
        limits = moment.limits
        span = sum(day.span_ms for day in days)
        if not days or span == 0:
            return Quality.UNKNOWN, "there is no record of these days any more"
        missing = max(0.0, 1.0 - sum(day.covered_ms for day in days) / span)
        marked = sum(day.marked for day in days) / max(1, sum(day.readings for day in days))
        unset = sum(day.unset for day in days) * FRAME_MS / span
        pauses = sum(day.pauses for day in days)
        quality, words = Quality.GOOD, []
        for share, name, text in (
            (missing, "missing", f"{missing:.0%} of the time without readings"),
            (marked, "marked", f"{marked:.0%} of the readings doubted"),
        ):
            if share >= limits[f"{name}_fair_fraction"]:
                poor = share >= limits[f"{name}_poor_fraction"]
                quality = _worse(quality, Quality.POOR if poor else Quality.FAIR)
                words.append(text)
        if unset > 0:
            quality = _worse(quality, Quality.FAIR)
            words.append("the clock was not set")
        if pauses > max(1, len(days)):
            quality = _worse(quality, Quality.FAIR)
            words.append(f"{pauses} pauses of unknown length")
        return quality, "; ".join(words)

    # -- stamping ----------------------------------------------------------------------------------------------

    def stamp(self, finding: Finding) -> Finding:
        """The finding with the grade of the readings that it rests on: the worst of its spans of evidence."""
        if self._moment is None:
            return finding
        self._take_doubts()
        quality, words = Quality.GOOD, []
        spans = finding.evidence or ((finding.at, finding.at),)
        for start, end in spans:
            one, reason = self._of_span(start.at_ms, end.at_ms)
            if _rank(one) > _rank(quality):
                quality, words = one, [reason]
        topic = finding.name.split(".")[0]
        if topic not in _SELF:
            doubted = self._doubt(finding, topic)
            if doubted:
                quality = _worse(quality, Quality.POOR)
                words.append(doubted)
            if topic in AMP_HOUR_TOPICS and self._accuracy.gain is None and self._accuracy.offset is None:
                quality = _worse(quality, Quality.FAIR)
                words.append("the accuracy of the current is not stated")
        return replace(finding, quality=quality, quality_reason="; ".join(words))

    def _of_span(self, start_ms: int, end_ms: int) -> tuple[Quality, str]:
        first, last = start_ms // DAY_MS, max(start_ms, end_ms - 1) // DAY_MS
        days = [day for day in self._state.days if first <= day.number <= last]
        assert self._moment is not None
        return self._judge(days, self._moment)

    def _doubt(self, finding: Finding, topic: str) -> str:
        """Words for a sensor in doubt that this finding rests on."""
        end = max((end.at_ms for _, end in finding.evidence), default=finding.at.at_ms)
        for channel, words, since_ms in self._state.doubts.values():
            if since_ms <= end and rests_on(finding, channel):
                return f"{channel} is in doubt ({words})"
        return ""

    def _take_doubts(self) -> None:
        """Doubts of the moment that are not taken yet: topics tell them after this watch has seen the frame."""
        if self._moment is None:
            return
        events = self._moment.events
        if len(events) == self._taken:
            return
        for event in events[self._taken :]:
            if isinstance(event, SensorDoubt):
                key = f"{event.channel} {event.what.split(' ')[0]}"
                self._state.doubts[key] = [event.channel, event.what.replace("_", " "), event.since_ms]
            elif isinstance(event, DoubtEnded):
                self._state.doubts.pop(f"{event.channel} {event.what}", None)
        self._taken = len(events)

    def to_plain(self) -> dict[str, Any]:
        self._take_doubts()
        return {
            "days": [day.to_plain() for day in self._state.days],
            "doubts": {key: list(doubt) for key, doubt in self._state.doubts.items()},
            "said": self._state.said,
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._state.days = [_Day(*numbers) for numbers in plain["days"]]
        self._state.doubts = {key: list(doubt) for key, doubt in plain["doubts"].items()}
        self._state.said = plain["said"]
        self._moment, self._taken = None, 0


def _rank(quality: Quality) -> int:
    return _ORDER.get(quality, 3)


def _worse(one: Quality, other: Quality) -> Quality:
    return one if _rank(one) >= _rank(other) else other
