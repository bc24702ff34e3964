"""One contract for every entry of the catalogue of findings."""

from __future__ import annotations

import string

import pytest

from loggerd.analysis.findings import FINDINGS, TOPICS, FindingSpec, Verdict, newest, ranked
from loggerd.model.finding import Finding, Grade
from loggerd.model.ledger import Instant
from loggerd.outputs.findings_json import finding_values
from loggerd.wording.findings import figure_text, sentence

NAMES = [spec.name for spec in FINDINGS]
VERDICTS = [(spec, verdict) for spec in FINDINGS for verdict in spec.verdicts]
VERDICT_IDS = [f"{spec.name} {verdict.word}" for spec, verdict in VERDICTS]
SYMBOLS = {"", "V", "mV", "A", "Ah", "°C", "K", "mΩ", "%", "%/a", "g", "h", "m³/h"}
WORDS = {"a", "and", "cell", "day", "days", "jumps", "of", "per", "rated", "100"}
"""A unit is a symbol, words, or symbols with words between: "mV per cell"."""


def finding_of(spec: FindingSpec, verdict: Verdict, at_ms: int = 0, value: float | None = 1.25) -> Finding:
    return Finding(spec.name, "block 7", verdict.word, Grade.OBSERVED, "because", Instant(1, at_ms), value, 1.0, 1.5)


def test_names_are_unique_and_say_their_topic() -> None:
    assert len(set(NAMES)) == len(NAMES) > 20
    for name in NAMES:
        topic, _, what = name.partition(".")
        assert topic.isidentifier() and what.isidentifier(), name
        assert name == name.lower()
    assert {name.partition(".")[0] for name in NAMES} >= set(TOPICS) - {"swings"}


@pytest.mark.parametrize("spec", FINDINGS, ids=NAMES)
def test_an_entry_explains_itself(spec: FindingSpec) -> None:
    assert spec.explanation.endswith(".")
    assert len(spec.explanation) > 20
    assert spec.source.strip()
    assert 0 <= spec.decimals <= 4
    words = [verdict.word for verdict in spec.verdicts]
    assert len(set(words)) == len(words) > 0
    assert all(word.isidentifier() and word == word.lower() for word in words)


@pytest.mark.parametrize(("spec", "verdict"), VERDICTS, ids=VERDICT_IDS)
def test_a_verdict_speaks_in_sentences(spec: FindingSpec, verdict: Verdict) -> None:
    fields = {field for _, field, _, _ in string.Formatter().parse(verdict.says) if field is not None}
    assert fields <= {"subject", "value"}
    assert verdict.says.rstrip().endswith(".")
    text = sentence(finding_of(spec, verdict))
    assert text[0].isupper()
    assert "{" not in text
    assert 0 <= verdict.weight <= 100


@pytest.mark.parametrize(("spec", "verdict"), VERDICTS, ids=VERDICT_IDS)
def test_what_is_wrong_comes_with_what_to_do(spec: FindingSpec, verdict: Verdict) -> None:
    if verdict.weight >= 50:
        assert len(verdict.do) > 15, f"{spec.name} {verdict.word}: nothing to do, so nothing to tell"
        assert verdict.do.rstrip().endswith(".")
    if verdict.weight >= 90:
        assert verdict.caution, f"{spec.name} {verdict.word}: danger without a caution"
    if verdict.weight == 0:
        assert not verdict.cause


def test_the_newest_of_each_subject_holds_and_the_heaviest_is_told_first() -> None:
    heavy = max(VERDICTS, key=lambda one: one[1].weight)
    light = min((one for one in VERDICTS if one[1].weight > 0), key=lambda one: one[1].weight)
    spec = heavy[0]
    found = [
        finding_of(*light, at_ms=1),
        finding_of(*heavy, at_ms=2, value=1.0),
        finding_of(*heavy, at_ms=3, value=2.0),
    ]

    assert [one.at.at_ms for one in newest(found) if one.name == spec.name] == [3]
    assert ranked(found)[0] == found[2]
    assert len(ranked(found)) == len({one.key for one in found})


@pytest.mark.parametrize(("spec", "verdict"), VERDICTS, ids=VERDICT_IDS)
def test_findings_go_into_json(spec: FindingSpec, verdict: Verdict) -> None:
    values = finding_values(finding_of(spec, verdict))

    assert values["wrong"] == (verdict.weight > 0)
    assert values["value_band"] == [1.0, 1.5]
    assert ("do" in values) == bool(verdict.do)


@pytest.mark.parametrize("spec", FINDINGS, ids=NAMES)
def test_a_number_is_shown_with_unit_and_band(spec: FindingSpec) -> None:
    text = figure_text(finding_of(spec, spec.verdicts[0]))

    assert set(spec.unit.split()) <= SYMBOLS | WORDS
    assert spec.unit in text
    assert "to" in text
