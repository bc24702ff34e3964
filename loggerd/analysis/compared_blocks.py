"""How the blocks stand to their peers by phase, as the latest discharges showed: from the stored state of a fold."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Any

from loggerd.analysis.findings.blocks_cause import RECENT
from loggerd.analysis.findings.blocks_features import Compared
from loggerd.analysis.findings.blocks_rows import Row
from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.findings.swings import GATE
from loggerd.analysis.plan import RULES_VERSION

LEAST_DEPTH = GATE
"""Share of the rated amp-hours that a discharge must take before blocks are compared by it."""


class BlockPhase(Enum):
    """When blocks are compared. The value is the name of the row of a Compared."""

    REST = "still"
    END_OF_CHARGE = "end_of_charge"
    EARLY = "early"
    END = "end"


@dataclass(frozen=True)
class PhaseDeviations:
    """Deviation of each block from its peers in one phase [V per cell]: the median of the latest discharges that show
    it, None where none does. `discharges`: how many do at most."""

    phase: BlockPhase
    by_block: tuple[float | None, ...]
    discharges: int


@dataclass(frozen=True)
class BlocksByPhase:
    """All phases, and the span of the discharges that they are taken from [ms on the analysis axis]."""

    phases: tuple[PhaseDeviations, ...]
    discharges: int
    start_ms: int
    end_ms: int


def blocks_by_phase(state: bytes) -> BlocksByPhase | None:
    """From the state that BankFold.dump made. None where no discharge was compared, or other rules made it."""
    records = _records(json.loads(state))[-RECENT:]
    if not records:
        return None
    phases = []
    for phase in BlockPhase:
        rows = [getattr(record, phase.value) for record in records]
        phases.append(PhaseDeviations(phase, _medians(rows), sum(_says_something(row) for row in rows)))
    return BlocksByPhase(tuple(phases), len(records), records[0].start_ms, records[-1].end_ms)


def _records(plain: dict[str, Any]) -> list[Compared]:
    """The discharges that the topic of the blocks keeps, as the parts of a fold nest their states."""
    bank = plain["bank"] if plain["rules"] == RULES_VERSION else None
    findings = bank["findings"] if bank is not None else None
    if findings is None:
        return []
    return [Compared(*row) for row in findings["fold"]["topics"]["blocks"]["records"]]


def _says_something(row: Row) -> bool:
    return any(one is not None for one in row)


def _medians(rows: Sequence[Row]) -> tuple[float | None, ...]:
    found: list[float | None] = []
    for block in zip(*rows, strict=True):
        known = [one for one in block if one is not None]
        found.append(median(known) if known else None)
    return tuple(found)
