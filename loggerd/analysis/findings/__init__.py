"""The catalogue of findings, and the topics that make them, in the order in which frames go through them."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from loggerd.analysis.findings import (
    blocks,
    capacity,
    full_charge,
    heat,
    limits_topic,
    meter,
    quality,
    resistance,
    rest,
    swings,
    trends,
)
from loggerd.analysis.findings.catalogue import FindingSpec, Ground, Topic, Verdict
from loggerd.analysis.findings.doubts import told_first
from loggerd.model.finding import Finding

TOPICS: dict[str, Callable[[Ground], Topic]] = {
    "full_charge": full_charge.FullCharge,
    "swings": swings.Swings,
    "rest": rest.Rest,
    "resistance": resistance.ResistanceTopic,
    "meter": meter.Meter,
    "capacity": capacity.CapacityTopic,
    "limits": limits_topic.LimitsWatch,
    "blocks": blocks.Blocks,
    "heat": heat.Heat,
    "trends": trends.Trends,
}

FINDINGS: tuple[FindingSpec, ...] = (
    *meter.SPECS,
    *full_charge.SPECS,
    *rest.SPECS,
    *capacity.SPECS,
    *resistance.SPECS,
    *limits_topic.SPECS,
    *blocks.SPECS,
    *heat.SPECS,
    *trends.SPECS,
    *quality.SPECS,
)

_BY_NAME = {spec.name: spec for spec in FINDINGS}


def spec_of(name: str) -> FindingSpec:
    """The catalogue's entry of that name. Raises KeyError."""
    return _BY_NAME[name]


def verdict_of(finding: Finding) -> Verdict:
    """What a finding says. Raises KeyError."""
    return spec_of(finding.name).verdict(finding.verdict)


def _has_words(finding: Finding) -> bool:
    spec = _BY_NAME.get(finding.name)
    return spec is not None and any(verdict.word == finding.verdict for verdict in spec.verdicts)


def newest(findings: Iterable[Finding]) -> list[Finding]:
    """Of each (name, subject) the newest, in the order of the catalogue. `findings` in order of time.

    What another version of loggerd has told and this one has no words for is left out.
    """
    latest = {finding.key: finding for finding in findings if _has_words(finding)}
    order = {spec.name: number for number, spec in enumerate(FINDINGS)}
    return sorted(latest.values(), key=lambda one: (order[one.name], one.subject))


def ranked(findings: Iterable[Finding]) -> list[Finding]:
    """What is wrong, what has to be told first in front; what is right is left out. `findings` in order of time."""
    return told_first([one for one in newest(findings) if verdict_of(one).weight > 0], verdict_of)


__all__ = [
    "FINDINGS",
    "TOPICS",
    "FindingSpec",
    "Ground",
    "Topic",
    "Verdict",
    "newest",
    "ranked",
    "spec_of",
    "verdict_of",
]
