"""Findings in words: what it says first, the number second, its band third."""

from __future__ import annotations

from loggerd.analysis.findings import spec_of, verdict_of
from loggerd.model.finding import Finding, Grade
from loggerd.wording.decimals import carried, fixed


def subject_words(subject: str) -> str:
    """What a finding speaks of, to begin a sentence with: "The bank", "Block 7", "The channel amps"."""
    if subject in ("bank", ""):
        return "The bank"
    kind, _, number = subject.partition(" ")
    if number:
        return f"{kind.capitalize()} {number}"
    return f"The channel {subject}"


def _number_text(finding: Finding, value: float) -> str:
    """A value with its unit: "4.2 Ah"; a share without a unit as a percentage, where the catalogue says so ("%")."""
    text, unit = fixed(value, told_decimals(finding)), spec_of(finding.name).unit
    return f"{text} {unit}" if unit else text


def told_decimals(finding: Finding) -> int:
    """So many as its band carries, at most those of the catalogue."""
    return carried(spec_of(finding.name).decimals, finding.value, finding.low, finding.high)


def sentence(finding: Finding) -> str:
    """What the finding says, in plain words. Raises KeyError for one that the catalogue does not know."""
    verdict = verdict_of(finding)
    value = _number_text(finding, finding.value) if finding.value is not None else "an unknown amount"
    subject = subject_words(finding.subject)
    if not verdict.says.startswith("{subject}"):
        subject = subject[0].lower() + subject[1:]
    return verdict.says.format(subject=subject, value=value)


def figure_text(finding: Finding) -> str:
    """The number and its band: "4.2 Ah (3.9 to 4.5)"; empty without a number."""
    if finding.value is None:
        return ""
    text, band = _number_text(finding, finding.value), band_text(finding)
    return f"{text} {band}" if band else text


def band_text(finding: Finding) -> str:
    """The 95 % band: "(3.9 to 4.5)"; empty without one."""
    if finding.low is None or finding.high is None:
        return ""
    decimals = told_decimals(finding)
    return f"({fixed(finding.low, decimals)} to {fixed(finding.high, decimals)})"


def told_number(finding: Finding) -> str:
    """What stands behind the sentence: number and band, or the band alone where the sentence has the number."""
    return band_text(finding) if "{value}" in verdict_of(finding).says else figure_text(finding)


def trust_words(finding: Finding) -> str:
    """How far it can be trusted: its grade, and the quality of the readings where that is not good."""
    words = finding.grade.value
    if finding.quality.value in ("fair", "poor") and finding.grade is not Grade.CANNOT_TELL:
        words += f", on {finding.quality.value} readings"
    return words
