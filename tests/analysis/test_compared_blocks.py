"""Deviations of blocks by phase, from the state that a fold stores."""

from __future__ import annotations

import json
from dataclasses import fields, replace

import pytest

from loggerd.analysis.compared_blocks import BlockPhase, blocks_by_phase
from loggerd.analysis.findings.blocks_features import Compared
from loggerd.analysis.plan import RULES_VERSION

NOTHING: list[float | None] = [None, None]
RECORD = Compared(
    1000, 2000, 0.3, True, -5.0, -5.0, 2.4, None, None,
    [0.01, -0.01], NOTHING, [0.002, -0.002], NOTHING, [0.03, -0.03], NOTHING, NOTHING, NOTHING,
)  # fmt: skip


def state(*records: Compared, rules: int = RULES_VERSION) -> bytes:
    """As BankFold.dump nests it."""
    rows = [[getattr(record, one.name) for one in fields(Compared)] for record in records]
    fold = {"topics": {"blocks": {"records": rows}}}
    return json.dumps({"rules": rules, "bank": {"findings": {"fold": fold}}}).encode()


def test_each_block_has_the_median_of_the_latest_discharges_that_show_it() -> None:
    ends = [0.9, 0.03, 0.05, 0.04, 0.07, 0.06]
    records = [
        replace(RECORD, start_ms=1000 * number, end_ms=1000 * number + 500, end=[end, None], early=NOTHING)
        for number, end in enumerate(ends)
    ]
    found = blocks_by_phase(state(*records))
    assert found is not None
    phases = {one.phase: one for one in found.phases}
    assert phases[BlockPhase.END].by_block == (0.05, None), "the first of six is too old to count"
    assert phases[BlockPhase.END_OF_CHARGE].by_block == (0.01, -0.01)
    assert phases[BlockPhase.EARLY].by_block == (None, None)
    assert phases[BlockPhase.EARLY].discharges == 0
    assert phases[BlockPhase.REST].discharges == 5
    assert (found.discharges, found.start_ms, found.end_ms) == (5, 1000, 5500)


@pytest.mark.parametrize("stored", [state(), state(RECORD, rules=RULES_VERSION - 1)])
def test_nothing_is_told_of_no_discharge_or_by_other_rules(stored: bytes) -> None:
    assert blocks_by_phase(stored) is None


def test_a_bank_without_findings_tells_nothing() -> None:
    assert blocks_by_phase(json.dumps({"rules": RULES_VERSION, "bank": None}).encode()) is None
    assert blocks_by_phase(json.dumps({"rules": RULES_VERSION, "bank": {"findings": None}}).encode()) is None
