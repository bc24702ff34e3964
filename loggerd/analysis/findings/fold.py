"""The findings of one bank: frames through the topics, in their order. Pure; its state is a plain value."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from loggerd.analysis.entered_log import EnteredLog
from loggerd.analysis.findings import TOPICS
from loggerd.analysis.findings.catalogue import Ground, Moment, Topic
from loggerd.analysis.findings.quality import QualityWatch
from loggerd.analysis.frames import Frame
from loggerd.analysis.limit_table import LimitTable
from loggerd.model.finding import Finding


class FindingsFold:
    """Runs every topic over each frame, and stamps what they find with the quality of the readings."""

    def __init__(self, ground: Ground, limits: LimitTable, log: EnteredLog | None = None) -> None:
        self._limits = limits
        self._log = EnteredLog() if log is None else log
        self._read = 0
        self._quality = QualityWatch(ground)
        self._topics: dict[str, Topic] = {name: topic(ground) for name, topic in TOPICS.items()}

    def push(self, frames: Iterable[Frame], order: int = 0, before_ms: int | None = None) -> list[Finding]:
        """Findings that these frames settle, in order of time and topics.

        `order`: place of the session whose readings close them. `before_ms`: entries of the log book that this
        session has before that instant are told with them; by default those before the end of each frame.
        """
        found: list[Finding] = []
        topics = [topic.push for topic in self._topics.values()]
        for frame in frames:
            entries = self._log.next(self._read, order, frame.end_ms if before_ms is None else before_ms)
            self._read += len(entries)
            moment = Moment(frame, self._limits.at(frame.end_ms), entries=entries)
            told = self._quality.push(moment)
            for push in topics:
                if settled := push(moment):
                    told.extend(settled)
            if told:
                found.extend(self._quality.stamp(one) for one in told)
        return found

    def to_plain(self) -> dict[str, Any]:
        return {
            "quality": self._quality.to_plain(),
            "log": self._read,
            "topics": {name: topic.to_plain() for name, topic in self._topics.items()},
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._quality.load_plain(plain["quality"])
        self._read = plain["log"]
        for name, topic in self._topics.items():
            topic.load_plain(plain["topics"][name])
