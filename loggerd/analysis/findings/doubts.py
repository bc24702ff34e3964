"""What rests on which sensor, and in which order findings are told: a doubt before what is concluded from it."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from loggerd.analysis.findings.catalogue import Verdict
from loggerd.model.finding import Finding

_OF_THE_CURRENT = ("meter.current_sign", "meter.shunt_scale", "meter.bypass", "meter.zero_offset")
_ANY_TAP = "block"
_WITHOUT_CURRENT = ("heat.high", "heat.spread", "limits.high_voltage", "limits.low_voltage")
"""Findings of topics that count amp-hours which need no current themselves."""


def rests_on(finding: Finding, channel: str) -> bool:
    """Whether a finding uses the channel. "block" stands for the voltages of all blocks."""
    topic = finding.name.split(".")[0]
    if channel.endswith("celsius"):
        return topic == "heat" and (finding.subject == "bank" or _same_place(finding.subject, channel))
    if channel.startswith("block"):
        return topic == "blocks" or _same_place(finding.subject, channel)
    if channel == "amps":
        return topic != "blocks"
    return finding.subject == "bank" or _same_place(finding.subject, channel)


def told_first(findings: Sequence[Finding], verdict_of: Callable[[Finding], Verdict]) -> list[Finding]:
    """Findings by weight, those of the same weight in the order given; what rests on a sensor that one of them finds
    wrong comes behind that one, whatever it weighs."""
    doubts = [(channel, verdict_of(one).weight, one) for one in findings for channel in _doubted(one)]

    def rank(finding: Finding) -> float:
        weight: float = verdict_of(finding).weight
        for channel, doubt, by in doubts:
            if by is not finding and weight >= doubt and _concluded(finding, channel):
                weight = doubt - 0.5
        return -weight

    return sorted(findings, key=rank)


def _doubted(finding: Finding) -> tuple[str, ...]:
    """Channels that a finding of the meter says are wrong."""
    if finding.name in _OF_THE_CURRENT:
        return ("amps",)
    if finding.name == "meter.taps":
        return (_ANY_TAP, "volts") if finding.verdict == "sum_off" else (_ANY_TAP,)
    if finding.name in ("meter.channel", "meter.temperature") and finding.subject != "bank":
        return (finding.subject,)
    return ()


def _concluded(finding: Finding, channel: str) -> bool:
    """Whether a finding that is not about the sensors themselves is concluded from that channel."""
    if finding.name.startswith(("meter.", "quality.")) or (channel == "amps" and finding.name in _WITHOUT_CURRENT):
        return False
    return rests_on(finding, channel)


def _same_place(subject: str, channel: str) -> bool:
    """ "block 7" and "link 7" are the place of "block_7_volts"; "string 2" of "string_2_amps"."""
    words, parts = subject.split(" "), channel.split("_")
    if len(words) < 2 or len(parts) < 2:
        return False
    kind = "block" if words[0] == "link" else words[0]
    return kind == parts[0] and words[1] == parts[1]
