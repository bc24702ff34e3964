"""What rests on which sensor, and in which order findings are told: a doubt before what is concluded from it."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from loggerd.analysis.findings.catalogue import Verdict
from loggerd.analysis.findings.causes import follows, is_cause
from loggerd.model.finding import Finding

_OF_THE_CURRENT = ("meter.current_sign", "meter.shunt_scale", "meter.bypass", "meter.zero_offset")
_ANY_TAP = "block"
_WITHOUT_CURRENT = ("heat.high", "heat.spread", "limits.high_voltage", "limits.low_voltage", "limits.deep_draws")
"""Findings of topics that count amp-hours which need no current themselves."""
_SMALL = 0.001
"""What follows from one cause keeps its own order behind it."""
_MAKES_NO_RISE = ("meter.bypass", "meter.shunt_scale", "meter.zero_offset")
"""Doubts of the current that leave a runaway where it is: a wrong scale or zero makes no rise, and with a bypass it is
told only where the temperature vouches for it."""


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
    wrong comes behind that one, whatever it weighs, and so does what follows from the fault of a block or a charger."""
    doubts = [(channel, verdict_of(one).weight, one) for one in findings for channel in _doubted(one)]
    causes = [one for one in findings if is_cause(one)]

    def rank(finding: Finding, above: tuple[Finding, ...] = ()) -> float:
        """Negative, for the order; `above`: what is being put behind this finding, which cannot come before it."""
        weight: float = verdict_of(finding).weight
        for channel, doubt, by in doubts:
            if (
                by is not finding
                and weight >= doubt
                and (_concluded(finding, channel, by) or _of_the_meter(finding, by))
            ):
                weight = doubt - 0.5
        for cause in causes:
            if cause is finding or any(cause is one for one in above):
                continue
            if follows(finding, cause, findings):
                root = -rank(cause, (*above, finding))
                # Of a chain of causes the later link comes behind the earlier one, by less.
                weight = min(weight, root - 0.4 / (1 + len(above)) + _SMALL * weight)
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


def _concluded(finding: Finding, channel: str, by: Finding) -> bool:
    """Whether a finding that is not about the sensors themselves is concluded from that channel, which `by` doubts."""
    if finding.name == "heat.runaway" and by.name in _MAKES_NO_RISE:
        return False
    if finding.name.startswith(("meter.", "quality.")) or (channel == "amps" and finding.name in _WITHOUT_CURRENT):
        return False
    return rests_on(finding, channel)


def _of_the_meter(finding: Finding, by: Finding) -> bool:
    """Whether it is a finding of the meter that rests on what another finding of the meter doubts."""
    if (finding.name, finding.verdict) == ("meter.taps", "sum_off"):
        # A channel that by itself does not read as it should spoils the sum.
        return by.name == "meter.channel" and by.subject != "amps"
    if finding.name == "meter.zero_offset":
        # The count that speaks for the zero is wrong where a current stands still, or misses what a charger brings.
        stuck = (by.name, by.subject, by.verdict) == ("meter.channel", "amps", "stuck")
        return stuck or (by.name == "meter.bypass" and by.verdict in ("bypassed_charger", "bypassed_both"))
    return False


def _same_place(subject: str, channel: str) -> bool:
    """ "block 7" and "link 7" are the place of "block_7_volts"; "string 2" of "string_2_amps"."""
    words, parts = subject.split(" "), channel.split("_")
    if len(words) < 2 or len(parts) < 2:
        return False
    kind = "block" if words[0] == "link" else words[0]
    return kind == parts[0] and words[1] == parts[1]
