"""(being written)"""

from __future__ import annotations

from typing import Any

from loggerd.analysis.findings.catalogue import FindingSpec, Ground, Moment
from loggerd.model.finding import Finding

SPECS: tuple[FindingSpec, ...] = ()


class Trends:
    def __init__(self, ground: Ground) -> None:
        self.ground = ground

    def push(self, moment: Moment) -> list[Finding]:
        return []

    def to_plain(self) -> dict[str, Any]:
        return {}

    def load_plain(self, plain: dict[str, Any]) -> None:
        del plain
