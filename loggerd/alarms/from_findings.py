"""Findings to the conditions that they make true. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from loggerd.alarms.catalogue import AlarmCondition
from loggerd.analysis.findings import newest, spec_of
from loggerd.model.alarm import AlarmKey, ConditionNow
from loggerd.model.finding import Finding, Grade
from loggerd.model.ledger import Figure

SILENT_DEVICE = "device_silent"


def conditions_of(
    bank: str,
    findings: Iterable[Finding],
    conditions: Iterable[AlarmCondition],
    devices: Mapping[str, str] | None = None,
) -> list[ConditionNow]:
    """How the conditions of a bank stand by what was found. `findings` in order of time; the newest of each holds.

    A condition that one finding makes true is true. One that none does, and of which one says that it cannot tell, is
    not known. `devices`: by name of a channel the device that it comes from, which explains its faults when silent.
    """
    by_finding: dict[str, list[tuple[AlarmCondition, tuple[str, ...]]]] = {}
    for condition in conditions:
        for name, verdicts in condition.findings:
            by_finding.setdefault(name, []).append((condition, verdicts))
    standing: dict[AlarmKey, ConditionNow] = {}
    for finding in newest(findings):
        follows = _follows(finding, devices or {})
        for condition, verdicts in by_finding.get(finding.name, ()):
            told = _told(AlarmKey(bank, condition.name, finding.subject), finding, verdicts)
            if told is None:
                continue
            standing[told.key] = _worse(standing.get(told.key), replace(told, follows=follows))
    return list(standing.values())


def _told(key: AlarmKey, finding: Finding, verdicts: tuple[str, ...]) -> ConditionNow | None:
    """What a finding says of a condition; None that it is not so."""
    if finding.verdict in verdicts:
        level = verdicts.index(finding.verdict)
        since = finding.since or finding.at
        return ConditionNow(key, True, True, since, _evidence(finding), finding.reason, level)
    if finding.grade is Grade.CANNOT_TELL:
        return ConditionNow(key, False, known=False, reason=finding.reason)
    return None


def _follows(finding: Finding, devices: Mapping[str, str]) -> tuple[AlarmKey, ...]:
    """The silence of a device, of what its channel does; of "bank", where several are silent, of any device."""
    if finding.name != "meter.channel":
        return ()
    names = [devices[finding.subject]] if finding.subject in devices else sorted(set(devices.values()))
    return tuple(AlarmKey("", SILENT_DEVICE, name) for name in names)


def _worse(one: ConditionNow | None, other: ConditionNow) -> ConditionNow:
    """True before not known; of what is true, the higher level, the earlier told of two alike."""
    if one is None or (other.true, other.level) > (one.true, one.level):
        return other
    return one


def _evidence(finding: Finding) -> tuple[Figure, ...]:
    """The finding's own figure first, then its details."""
    own = Figure(spec_of(finding.name).name, finding.value, finding.low, finding.high)
    return (own, *finding.details) if finding.value is not None else finding.details
