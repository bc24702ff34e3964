"""The findings of one bank: frames through the topics, in their order. Pure; its state is a plain value."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from loggerd.analysis.findings import TOPICS
from loggerd.analysis.findings.catalogue import Ground, Moment, Topic
from loggerd.analysis.findings.quality import QualityWatch
from loggerd.analysis.frames import Frame
from loggerd.analysis.limit_table import LimitTable
from loggerd.model.finding import Finding


class FindingsFold:
    """Runs every topic over each frame, and stamps what they find with the quality of the readings."""

    def __init__(self, ground: Ground, limits: LimitTable) -> None:
        self._limits = limits
        self._quality = QualityWatch(ground)
        self._topics: dict[str, Topic] = {name: topic(ground) for name, topic in TOPICS.items()}

    def push(self, frames: Iterable[Frame]) -> list[Finding]:
        """Findings that these frames settle, in order of time and topics."""
        found: list[Finding] = []
        for frame in frames:
            moment = Moment(frame, self._limits.at(frame.end_ms))
            told = self._quality.push(moment)
            for topic in self._topics.values():
                told.extend(topic.push(moment))
            found.extend(self._quality.stamp(one) for one in told)
        return found

    def to_plain(self) -> dict[str, Any]:
        return {
            "quality": self._quality.to_plain(),
            "topics": {name: topic.to_plain() for name, topic in self._topics.items()},
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._quality.load_plain(plain["quality"])
        for name, topic in self._topics.items():
            topic.load_plain(plain["topics"][name])
