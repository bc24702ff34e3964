"""Findings as cards: the sentence, number and band, how far to trust it, why; alike ones together."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from loggerd.analysis.findings import newest, ranked, spec_of, verdict_of
from loggerd.model.finding import Finding, Grade
from loggerd.model.ledger import Figure, Instant
from loggerd.wording.filling import capital, one_line
from loggerd.wording.reader import Reader

ShownMs = Callable[[Instant], int]
_MOST_SPANS = 3


@dataclass(frozen=True)
class FindingCard:
    """One finding. `number`: value with its band, "" without; `trust`: grade and, where not good, the readings.

    `since` and `told`: when the state began, if known, and when it was told. `reason`, `do`, `caution` and the rows of
    `figures` are in English. `alike`: subject and number of others of which the same is said.
    """

    name: str
    subject: str
    says: str
    number: str
    trust: str
    since: str
    told: str
    reason: str
    readings: str
    do: str
    caution: str
    explanation: str
    figures: tuple[tuple[str, str], ...] = ()
    spans: tuple[str, ...] = ()
    alike: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class FindingGroups:
    """What is to be looked at, the weightiest first; what is in order; what cannot be told."""

    wrong: tuple[FindingCard, ...]
    right: tuple[FindingCard, ...]
    unknown: tuple[FindingCard, ...]


def grouped(findings: Iterable[Finding], reader: Reader, shown_ms: ShownMs) -> FindingGroups:
    """All findings that hold. Of what is in order, those that say the same are put together."""
    holding = newest(findings)
    calm = [one for one in holding if verdict_of(one).weight == 0]
    right = [one for one in calm if one.grade is not Grade.CANNOT_TELL]
    return FindingGroups(
        tuple(card(one, reader, shown_ms) for one in ranked(holding)),
        tuple(_together(right, reader, shown_ms)),
        tuple(card(one, reader, shown_ms) for one in calm if one.grade is Grade.CANNOT_TELL),
    )


def number_of(finding: Finding, reader: Reader) -> str:
    """Value and band; "" without a value."""
    if finding.value is None:
        return ""
    spec = spec_of(finding.name)
    return reader.banded(Figure(finding.name, finding.value, finding.low, finding.high), spec.unit, spec.decimals)


def trust_of(finding: Finding, reader: Reader) -> str:
    """The grade always, and the quality of the readings where it is not good."""
    grade = reader.texts.grades[finding.grade.value]
    trust = reader.trust(finding)
    return trust if grade in trust else ", ".join(part for part in (grade, trust) if part)


def card(finding: Finding, reader: Reader, shown_ms: ShownMs, alike: Sequence[tuple[str, str]] = ()) -> FindingCard:
    """The finding in words."""
    spec, verdict = spec_of(finding.name), verdict_of(finding)
    since = "" if finding.since is None else reader.instant(shown_ms(finding.since))
    spans = finding.evidence[-_MOST_SPANS:]
    wrong = verdict.weight > 0
    return FindingCard(
        finding.name,
        finding.subject,
        reader.finding(finding),
        number_of(finding, reader),
        trust_of(finding, reader),
        since,
        reader.instant(shown_ms(finding.at)),
        one_line(finding.reason),
        one_line(finding.quality_reason) if finding.value is not None else "",
        verdict.do if wrong else "",
        verdict.caution if wrong else "",
        spec.explanation,
        tuple(_detail(one, reader) for one in finding.details),
        tuple(f"{reader.instant(shown_ms(start))} to {reader.instant(shown_ms(end))}" for start, end in spans),
        tuple(alike),
    )


def _detail(figure: Figure, reader: Reader) -> tuple[str, str]:
    told = "-" if figure.value is None else _short(figure.value, reader)
    if figure.low is not None and figure.high is not None:
        told += f" ({_short(figure.low, reader)} to {_short(figure.high, reader)})"
    reason = f"; {one_line(figure.reason)}" if figure.reason else ""
    return capital(figure.name.replace("_", " ")), told + reason


def _short(value: float, reader: Reader) -> str:
    """Four digits, as many as a figure without a form of its own deserves."""
    text = f"{value:.4g}"
    return text if "e" in text else reader.number(value, len(text.partition(".")[2]))


def _together(found: Sequence[Finding], reader: Reader, shown_ms: ShownMs) -> Iterable[FindingCard]:
    groups: dict[tuple[str, str], list[Finding]] = {}
    for one in found:
        groups.setdefault((one.name, one.verdict), []).append(one)
    for first, *others in groups.values():
        alike = [(capital(reader.subject(one.subject)), number_of(one, reader)) for one in others]
        yield card(first, reader, shown_ms, alike)
