"""Findings as plain values for JSON. Loops over the catalogue; knows no finding by name."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from loggerd.analysis.findings import spec_of, verdict_of
from loggerd.model.finding import Finding
from loggerd.outputs.ledger_json import InstantText, instant_text
from loggerd.wording.findings import sentence


def finding_values(finding: Finding, text: InstantText = instant_text) -> dict[str, Any]:
    """A finding as a flat table, with its words. `cause`, `do` and `caution` only where there are any."""
    spec, verdict = spec_of(finding.name), verdict_of(finding)
    values: dict[str, Any] = {
        "name": finding.name,
        "subject": finding.subject,
        "verdict": finding.verdict,
        "says": sentence(finding),
        "wrong": verdict.weight > 0,
        "grade": finding.grade.value,
        "value": finding.value,
        "unit": spec.unit,
        "reason": finding.reason,
        "at": text(finding.at),
        "since": text(finding.since) if finding.since else None,
        "quality": finding.quality.value,
        "quality_reason": finding.quality_reason,
        "evidence": [{"start": text(start), "end": text(end)} for start, end in finding.evidence],
        "details": {one.name: one.value for one in finding.details},
    }
    if finding.low is not None and finding.high is not None:
        values["value_band"] = [finding.low, finding.high]
    for one in finding.details:
        if one.low is not None and one.high is not None:
            values["details"][f"{one.name}_band"] = [one.low, one.high]
        if one.reason:
            values["details"][f"{one.name}_reason"] = one.reason
    values.update({name: words for name in ("cause", "do", "caution") if (words := getattr(verdict, name))})
    return values


def findings_document(bank: str, findings: Iterable[Finding], text: InstantText = instant_text) -> dict[str, Any]:
    """Findings of a bank as one JSON-able value, in the order given."""
    return {"bank": bank, "findings": [finding_values(finding, text) for finding in findings]}
