"""Findings to the conditions that they make true."""

from __future__ import annotations

from collections.abc import Iterable

from loggerd.alarms.catalogue import AlarmCondition
from loggerd.analysis.findings import newest, spec_of
from loggerd.model.alarm import AlarmKey, ConditionNow
from loggerd.model.finding import Finding
from loggerd.model.ledger import Figure


def conditions_of(bank: str, findings: Iterable[Finding], conditions: Iterable[AlarmCondition]) -> list[ConditionNow]:
    """How the conditions of a bank stand by what was found. `findings` in order of time; the newest of each holds."""
    by_verdict = {
        (name, verdict): (level, condition)
        for condition in conditions
        for name, verdicts in condition.findings
        for level, verdict in enumerate(verdicts)
    }
    standing: dict[AlarmKey, ConditionNow] = {}
    for finding in newest(findings):
        found = by_verdict.get((finding.name, finding.verdict))
        if found is None:
            continue
        level, condition = found
        key = AlarmKey(bank, condition.name, finding.subject)
        told = ConditionNow(key, True, finding.since or finding.at, _evidence(finding), finding.reason, level)
        before = standing.get(key)
        if before is None or told.level > before.level:
            standing[key] = told
    return list(standing.values())


def _evidence(finding: Finding) -> tuple[Figure, ...]:
    """The finding's own figure first, then its details."""
    own = Figure(spec_of(finding.name).name, finding.value, finding.low, finding.high)
    return (own, *finding.details) if finding.value is not None else finding.details
