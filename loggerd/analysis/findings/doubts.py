"""What rests on which sensor, and in which order findings are told: a doubt before what is concluded from it."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from loggerd.analysis.findings.catalogue import Verdict
from loggerd.model.finding import Finding

_OF_THE_CURRENT = ("meter.current_sign", "meter.shunt_scale", "meter.bypass", "meter.zero_offset")
_ANY_TAP = "block"
_BLOCK_CAUSES = ("low_capacity", "out_of_balance", "self_discharge")
_LOSES_CHARGE = ("out_of_balance", "self_discharge")
_RUNS_FLAT = (("blocks.reversal", "reversed"), ("blocks.spread", "wide"))
_OF_THE_BLOCK = (("blocks.reversal", "reversed"), ("blocks.short", "looks_shorted"))
"""What a block shows that has run flat before its peers."""
_OF_THE_BANK = (
    ("limits.low_voltage", "empty"),
    ("limits.low_voltage", "low"),
    ("heat.dry_out", "likely"),
    ("full_charge.set_points", "low"),
)
"""What a bank shows of which one block is flat: it is short of that block's volts, its peers are overcharged."""
_LOW_BLOCK = ("blocks.cause", "low_capacity")
_BANK_HAS_FADED = (("capacity.acid_when_full", "fallen"), ("rest.sulfation", "sulfated"))
"""Then one block is the first to come to its end, which is the whole bank's fault."""
_CANNOT_FILL = (*_BANK_HAS_FADED, ("heat.dry_out", "suspected"), ("heat.dry_out", "likely"))
"""What was there before charges were full no more, is why: sulfate takes longer than the charger gives, and the current
of a dry bank does not fall."""
_NEVER_FULL = (("full_charge.undercharge", "chronic"), ("full_charge.days_since", "long_overdue"))
"""What a charger leads to that holds too little voltage, and a bank that cannot be filled."""
_NEVER_GASSES = (("rest.stratification", "possible"), ("rest.stratification", "likely"))
"""What a charger leads to that holds too little voltage as well."""
_WITHOUT_CURRENT = ("heat.high", "heat.spread", "limits.high_voltage", "limits.low_voltage", "limits.deep_draws")
"""Findings of topics that count amp-hours which need no current themselves."""
_RUNS_AWAY = ("watch", "act", "stop")
_LOAD_BYPASSES = ("meter.bypass", "bypassed_load")
"""More in than gas can take; but what a runaway puts in becomes heat, and is in no balance."""
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
    causes = [one for one in findings if _is_cause(one)]
    # A charger whose probe sits on a hot block holds less than the others ask for.
    hot = {one.subject for one in findings if (one.name, one.verdict) == ("heat.spread", "hot_block")}
    flat = any((one.name, one.verdict) in _RUNS_FLAT for one in findings)

    def rank(finding: Finding, above: tuple[Finding, ...] = ()) -> float:
        """Negative, for the order; `above`: what is being put behind this finding, which cannot come before it."""
        weight: float = verdict_of(finding).weight
        for channel, doubt, by in doubts:
            if (
                by is not finding
                and weight >= doubt
                and (_concluded(finding, channel, by) or _sums(finding, by) or _has_no_zero(finding, by))
            ):
                weight = doubt - 0.5
        for cause in causes:
            if cause is finding or any(cause is one for one in above):
                continue
            warmed = _is_low_set_point(finding) and cause.subject in hot
            if warmed or _follows(finding, cause, flat):
                root = -rank(cause, (*above, finding))
                # Of a chain of causes the later link comes behind the earlier one, by less.
                weight = min(weight, root - 0.4 / (1 + len(above)) + _SMALL * weight)
        return -weight

    return sorted(findings, key=rank)


def _is_cause_of_a_block(finding: Finding) -> bool:
    return finding.name == "blocks.cause" and finding.verdict in _BLOCK_CAUSES


def _is_cause(finding: Finding) -> bool:
    """Whether others may follow from it."""
    bank = _is_low_set_point(finding) or _cannot_fill(finding) or _runs_away(finding)
    return bank or _is_cause_of_a_block(finding)


def _cannot_fill(finding: Finding) -> bool:
    return (finding.name, finding.verdict) in _CANNOT_FILL


def _runs_away(finding: Finding) -> bool:
    return finding.name == "heat.runaway" and finding.verdict in _RUNS_AWAY


def _was_before(cause: Finding, finding: Finding) -> bool:
    """Whether it was there before the weeks in which no charge was full. Days since a full charge are told each day,
    and what is told of a full charge is told after it."""
    weeks = finding.since if finding.name == "full_charge.undercharge" else None
    return (cause.since or cause.at).at_ms <= (weeks or finding.at).at_ms


def _is_low_set_point(finding: Finding) -> bool:
    return (finding.name, finding.verdict) == ("full_charge.set_points", "low")


def _follows(finding: Finding, cause: Finding, flat: bool) -> bool:
    """Whether a finding is what the fault of a block, the bank or a charger leads to. `flat`: a block runs flat, or
    lies far from its peers."""
    told = (finding.name, finding.verdict)
    if _is_low_set_point(cause):
        return told in _NEVER_FULL or told in _NEVER_GASSES
    if _runs_away(cause):
        return told == _LOAD_BYPASSES
    if _cannot_fill(cause):
        faded = (cause.name, cause.verdict) in _BANK_HAS_FADED
        return (faded and told == _LOW_BLOCK) or (told in _NEVER_FULL and _was_before(cause, finding))
    if told in _OF_THE_BLOCK:
        return finding.subject == cause.subject
    return flat and cause.verdict in _LOSES_CHARGE and told in _OF_THE_BANK


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


def _sums(finding: Finding, by: Finding) -> bool:
    """Whether a sum of taps that is off rests on a channel that by itself does not read as it should."""
    of_a_voltage = by.name == "meter.channel" and by.subject != "amps"
    return of_a_voltage and (finding.name, finding.verdict) == ("meter.taps", "sum_off")


def _has_no_zero(finding: Finding, by: Finding) -> bool:
    """Whether the zero of a current is told that is not measured any more, or that misses what a charger brings: then
    the count that speaks for the zero is wrong by that."""
    stuck = (by.name, by.subject, by.verdict) == ("meter.channel", "amps", "stuck")
    missing = by.name == "meter.bypass" and by.verdict in ("bypassed_charger", "bypassed_both")
    return finding.name == "meter.zero_offset" and (stuck or missing)


def _same_place(subject: str, channel: str) -> bool:
    """ "block 7" and "link 7" are the place of "block_7_volts"; "string 2" of "string_2_amps"."""
    words, parts = subject.split(" "), channel.split("_")
    if len(words) < 2 or len(parts) < 2:
        return False
    kind = "block" if words[0] == "link" else words[0]
    return kind == parts[0] and words[1] == parts[1]
