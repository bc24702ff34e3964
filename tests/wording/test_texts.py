"""The texts of each language: nothing is missing, nothing left over, nothing that an old telephone cannot show."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from loggerd.alarms.conditions import ALARM_CONDITIONS
from loggerd.analysis.findings import FINDINGS
from loggerd.errors import SettingsError
from loggerd.settings.shipped import shipped_path
from loggerd.settings.texts import LANGUAGES, load_texts, read_texts
from loggerd.wording.texts import WORDS, faults_of

WORDING = Path(__file__).parent.parent.parent / "loggerd" / "wording"


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_condition_has_every_text_and_none_is_left_over(language: str) -> None:
    texts = load_texts(language)
    assert faults_of(texts) == []
    assert set(texts.alarm) == {one.name for one in ALARM_CONDITIONS}
    for one in texts.alarm.values():
        assert one.do
        assert one.do_not
        assert len(one.causes) >= 2
        assert one.parts


def test_the_second_language_is_whole() -> None:
    """No sentence of it is the English one, but for words that both have."""
    english, german = load_texts("en"), load_texts("de")
    for name, one in english.alarm.items():
        other = german.alarm[name]
        assert [len(part) for part in (one.causes, one.do, one.do_not, one.parts, one.cautions)] == [
            len(part) for part in (other.causes, other.do, other.do_not, other.parts, other.cautions)
        ]
        assert set(one.sentences).isdisjoint({text for text in other.sentences if text != "laptop"}), name
        assert one.cautions == other.cautions
    for spec in FINDINGS:
        for verdict in spec.verdicts:
            assert german.findings[spec.name][verdict.word] != verdict.says


@pytest.mark.parametrize("language", LANGUAGES)
def test_an_old_telephone_can_show_every_sign(language: str) -> None:
    for text in _strings(tomllib.loads(shipped_path(f"texts/{language}.toml").read_text("utf-8"))):
        text.encode("latin-1")
        assert text == text.strip()
        assert text.isprintable()


@pytest.mark.parametrize("language", LANGUAGES)
def test_sentences_end_and_titles_are_short(language: str) -> None:
    for name, one in load_texts(language).alarm.items():
        assert one.what.endswith("."), name
        assert not one.title.endswith("."), name
        for advice in (*one.do, *one.do_not):
            assert advice.endswith((".", "?")), (name, advice)


def test_every_word_is_used() -> None:
    code = "".join(path.read_text("utf-8") for path in WORDING.glob("*.py") if path.name != "texts.py")
    assert [name for name in WORDS if not re.search(f"[\"']{name}[\"']", code)] == []


def test_danger_to_people_is_never_without_a_caution() -> None:
    texts = load_texts("en")
    assert all(texts.alarm[one.name].cautions for one in ALARM_CONDITIONS if one.safety)


def test_whoever_charges_is_warned_of_gas() -> None:
    for name, one in load_texts("en").alarm.items():
        if re.search(r"\b([Cc]harge|[Ee]qualize)\b", " ".join(one.do)) and name != "steady_load":
            assert "hydrogen" in one.cautions, name


def test_whoever_opens_a_joint_is_warned_of_the_arc() -> None:
    for name, one in load_texts("en").alarm.items():
        if re.search(r"joint|strap|tighten", " ".join(one.do)):
            assert "arc" in one.cautions, name


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    text = shipped_path("texts/en.toml").read_text("utf-8")
    text = text.replace('since = "Since"\n', "").replace("[alarm.runaway]", "[alarm.run_away]")
    text = text.replace('title = "much too hot"', 'title = "much too hot {nothing}"')
    text = text.replace('yes = "yes"', 'yes = "yes"\nperhaps = "perhaps"')
    with pytest.raises(SettingsError) as caught:
        read_texts(_written(tmp_path, text))
    told = str(caught.value)
    for part in ("words.since", "alarm.runaway", "alarm.run_away", "{nothing}", "words.perhaps"):
        assert part in told
    assert len(caught.value.faults) == 5


def test_a_place_that_must_be_filled_is_missed(tmp_path: Path) -> None:
    text = shipped_path("texts/en.toml").read_text("utf-8").replace('"{start} to {end}"', '"{start}"')
    with pytest.raises(SettingsError, match=r"words\.digest_span"):
        read_texts(_written(tmp_path, text))


@pytest.mark.parametrize(
    ("old", "new", "where"),
    [
        ("decimal_comma = false", 'decimal_comma = "no"', "decimal_comma"),
        ("decimal_comma = false", "decimal_comma = false\nsubtitle = true", "subtitle"),
        ('title = "much too hot"', 'title = "much too hot"\nsubtitle = "x"', "subtitle"),
        ('causes = ["Power cut on a worn card", "Card or disk failing"]', 'causes = "old"', "causes"),
        ('code = "en"', "code = 7", "code"),
    ],
)
def test_what_is_of_the_wrong_kind_is_told(tmp_path: Path, old: str, new: str, where: str) -> None:
    text = shipped_path("texts/en.toml").read_text("utf-8")
    assert old in text
    with pytest.raises(SettingsError, match=where):
        read_texts(_written(tmp_path, text.replace(old, new)))


def test_a_language_that_there_is_not(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="no such file"):
        load_texts("xx")


def _written(folder: Path, text: str) -> Path:
    path = folder / "texts.toml"
    path.write_text(text, "utf-8")
    return path


def _strings(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for one in value.values():
            yield from _strings(one)
    elif isinstance(value, list):
        for one in value:
            yield from _strings(one)
