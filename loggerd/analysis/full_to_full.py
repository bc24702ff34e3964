"""The ledger of accounts between two full charges: what went out and came back in between.

Provisional: here a charge counts as full when it ended at absorption voltage with a small current. A small current
alone does not prove a full charge (a sulfated bank tapers early), so every account says that it is provisional.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from loggerd.analysis.part import Part, part_from_plain, part_to_plain
from loggerd.analysis.stretch import Stretch


@dataclass
class FullToFullBuilder:
    """`tail_amps`: current at or below which a charge may have ended full; `full_volts`: voltage it must have held."""

    tail_amps: float
    full_volts: float
    account: Part = field(default_factory=Part)
    started: bool = False

    def push(self, part: Part, phase: Stretch | None) -> list[Part]:
        """The account that this phase (None for a gap) closed, if it did."""
        if self.started:
            self.account.add(part)
        if phase is None or not self.is_full(phase):
            return []
        ended, self.account = self.account, Part()
        was, self.started = self.started, True
        return [ended] if was and ended.discharge_ms else []

    def is_full(self, phase: Stretch) -> bool:
        """Whether the phase is a charge that ended full, provisionally."""
        if phase.label != 1 or not phase.tail_powered:
            return False
        amps = phase.tail_milliamps / phase.tail_count / 1000
        volts = phase.tail_millivolts / phase.tail_powered / 1000
        return amps <= self.tail_amps and volts >= self.full_volts

    def unfinished(self) -> Part | None:
        return self.account if self.started and self.account.discharge_ms else None

    def to_plain(self) -> dict[str, object]:
        return {"account": part_to_plain(self.account), "started": self.started}

    def load_plain(self, plain: dict[str, object]) -> None:
        self.account = part_from_plain(plain["account"])  # type: ignore[arg-type]
        self.started = bool(plain["started"])
