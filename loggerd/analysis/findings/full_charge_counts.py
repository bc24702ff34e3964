"""What goes in and out between full charges: running totals, and differences of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from loggerd.analysis.findings.events import SinceFull
from loggerd.analysis.frames import Frame


@dataclass
class Mark:
    """Totals as they stood at an instant [Ah, ms]; nobody changes one. `proven`: that the bank was full then, where it
    marks that. `block_behind`: see SinceFull.
    """

    at_ms: int
    out: float
    put_in: float
    gap_ms: int
    proven: bool = True
    block_behind: bool = False

    def since(self, mark: Mark) -> SinceFull:
        """What happened between an earlier mark and this one."""
        return SinceFull(
            mark.at_ms,
            mark.proven,
            self.out - mark.out,
            self.put_in - mark.put_in,
            self.gap_ms - mark.gap_ms,
            mark.block_behind,
        )

    def to_plain(self) -> dict[str, Any]:
        return dict(vars(self))

    @staticmethod
    def from_plain(plain: Mapping[str, Any] | None) -> Mark | None:
        return None if plain is None else Mark(**plain)


@dataclass
class Totals:
    """Of all that is recorded: magnitudes out and in [Ah], time without readings, and the end of the last frame."""

    out: float = 0.0
    put_in: float = 0.0
    gap_ms: int = 0
    at_ms: int = 0

    def add(self, frame: Frame) -> None:
        moved = frame.amp_hours
        if moved < 0:
            self.out -= moved
        elif moved > 0:
            self.put_in += moved
        self.gap_ms += frame.unread_ms
        self.at_ms = frame.end_ms

    def mark(self, proven: bool = True, block_behind: bool = False) -> Mark:
        return Mark(self.at_ms, self.out, self.put_in, self.gap_ms, proven, block_behind)

    def since(self, mark: Mark) -> SinceFull:
        """What has happened since a mark."""
        out, put_in = self.out - mark.out, self.put_in - mark.put_in
        return SinceFull(mark.at_ms, mark.proven, out, put_in, self.gap_ms - mark.gap_ms, mark.block_behind)
